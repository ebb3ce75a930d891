// What all review pages share: writing, and saying what went wrong.

export const at = (id) => document.getElementById(id);

const token = document.body.dataset.token;

export function trouble(text, id = "trouble") {
  const place = at(id);
  place.hidden = !text;
  if (place.textContent !== text) place.textContent = text;
}

// Sends plain data; answers with what came back, or with null after saying what went wrong.
export async function send(path, data, where = "trouble") {
  trouble("", where);
  let answer;
  try {
    answer = await fetch(path, { method: "POST", body: JSON.stringify(data),
      headers: { "content-type": "application/json", "x-bench-token": token } });
  } catch {
    trouble("The server does not answer. Start it again, then try once more; nothing was changed.", where);
    return null;
  }
  const found = await answer.json().catch(() => ({}));
  if (answer.ok) return found;
  trouble(found.error ?? `The server answered ${answer.status}; load the page again.`, where);
  return null;
}

export function element(tag, facts = {}, ...inside) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(facts)) made.setAttribute(name, value);
  made.append(...inside);
  return made;
}

at("who")?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const person = at("person");
  const found = await send("/review/who", { person: person.value });
  if (!found) return;
  person.value = found.person;
  person.defaultValue = found.person;
  person.blur();
  at("main").focus({ preventScroll: true });
  document.dispatchEvent(new CustomEvent("person", { detail: found.person }));
});

// Forms that only ask are addresses; the pages' policy lets no form go anywhere by itself.
for (const form of document.querySelectorAll("form[data-go]")) {
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const asked = [...new FormData(form)].filter(([, value]) => value !== "");
    location.assign(`${form.dataset.go}?${new URLSearchParams(asked)}`);
  });
}

export const typing = (event) => event.ctrlKey || event.metaKey || event.altKey
  || event.target.closest?.("input:not([type=checkbox]), select, textarea, [contenteditable]");
