// Draws the board: plain elements from plain data. Text is only ever set as text.

export function element(tag, facts = {}, ...inside) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(facts)) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "class") made.className = value;
    else if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else made.setAttribute(name, value === true ? "" : value);
  }
  made.append(...inside.filter((part) => part !== null && part !== undefined && part !== ""));
  return made;
}

const drawn = new Map();

// Replaces the inside of an element when its data changed, and keeps the focus where it was.
export function redraw(id, data, make) {
  const text = JSON.stringify(data);
  if (drawn.get(id) === text) return;
  drawn.set(id, text);
  const place = document.getElementById(id);
  const focused = place.contains(document.activeElement) ? document.activeElement.dataset.key : undefined;
  place.replaceChildren(...make());
  if (focused) {
    const again = [...place.querySelectorAll("[data-key]")].find((found) => found.dataset.key === focused);
    (again ?? document.getElementById("main")).focus({ preventScroll: true });
  }
}

const MARKS = { good: "✓", bad: "✕", open: "?", quiet: "" };
const TEXTS = new Set(["command", "refused", "not_understood", "note", "photo", "job_end"]);

function card(data, minor) {
  const verdict = data.status === "unconfirmed" ? [data.verdict, "not confirmed"].filter(Boolean).join(", ") : data.verdict;
  const kept = data.confirmed ? "confirmed" : data.corrects ? "corrected; the earlier entry stays on record" : "";
  return element("div", { class: `card ${data.tone}${minor ? " minor" : ""}` },
    element("div", {},
      element("p", { class: "name" }, data.name),
      element("p", { class: TEXTS.has(data.kind) || data.value.length > 28 ? "value text" : "value" }, data.value,
        data.via ? element("span", { class: "via" }, ` by ${data.via}`) : null),
      verdict ? element("p", { class: "verdict" }, `${data.status === "unconfirmed" && data.tone === "open" ? "○" : MARKS[data.tone]} ${verdict}`) : null,
      element("p", {}, [data.limits ? `limits ${data.limits}` : "", kept].filter(Boolean).join(" · ")),
      data.words ? element("p", { class: "said" }, `“${data.words}”`) : null,
      data.advice ? element("p", { class: "advice" }, data.advice[0], element("span", { class: "small" }, data.advice[1])) : null),
    data.picture ? element("img", { src: `/media/${data.picture}`, alt: `${data.name}, measured picture` }) : null);
}

function facts(board) {
  const pairs = board.mode === "job"
    ? [...board.unit.map((part) => [part.name, part.value]), ["Reference", board.reference], ["Technician", board.technician]]
    : [];
  return [...pairs.filter(([, value]) => value), ...(board.mode === "job" ? [["At the bench", ""]] : [])]
    .map(([name, value]) => element("div", {}, element("dt", {}, name),
      element("dd", name === "At the bench" ? { id: "elapsed" } : {}, value)));
}

function choice(label, say, act, more = {}) {
  return element("button", { type: "button", "data-key": `${label}|${say}`, onclick: () => act.say(say), ...more }, label);
}

function missing(item, act) {
  const ways = item.ready.map((way) => choice(way.label, way.say, act, { "aria-label": `${item.name}: ${way.label}` }));
  if (item.begin) {
    ways.push(element("button", { type: "button", "data-key": item.begin, "aria-label": `${item.name}: type it`,
      onclick: () => act.begin(item.begin) }, "type"));
  }
  return element("li", {}, element("span", { class: "name" }, item.name, " ", element("span", {}, item.why)),
    element("span", { class: "ways" }, ...ways));
}

function stage(board, act) {
  const now = board.stage;
  document.getElementById("stage-title").textContent = now ? now.name : "No stage yet: say “stage” and its name";
  const left = now ? now.missing.length : 0;
  document.getElementById("stage-count").textContent = now ? `Stage ${now.number} of ${now.of}, ${left} missing` : "";
  redraw("missing", now, () => {
    if (!now) return [];
    const here = left ? now.missing.map((item) => missing(item, act))
      : [element("li", {}, element("span", { class: "done" }, "✓ Nothing is missing here"))];
    const before = now.earlier.map((item) => element("li", {}, `${item.stage}: ${item.name} ${item.why}`));
    if (before.length < 2) return [...here, ...before.map((item) => { item.className = "before"; return item; })];
    return [...here, element("li", { class: "before" }, element("details", {},
      element("summary", {}, `${before.length} missing in earlier stages`), element("ul", {}, ...before)))];
  });
  redraw("stages", board.stages, () => board.stages.map((known) => element("li", {},
    choice(known.name, known.say, act, { class: known.now ? "now" : known.next ? "next" : known.done ? "done" : "",
      "aria-current": known.now ? "step" : null, title: known.say }))));
  const view = board.views.find((known) => known.id === board.asked);
  redraw("asked", view ?? null, () => view ? [element("div", { class: "asked" }, `Take the picture now: ${view.name}`,
    element("button", { type: "button", class: "first big", "data-key": "picture", onclick: act.picture },
      board.camera ? `Take it with ${board.camera}` : "Send the picture"))] : []);
}

const SEVERITY = { stop: "■ Stop", warning: "▲ Warning", notice: "● Note" };

function alarms(here, earlier) {
  const [first, ...rest] = here;
  const section = document.getElementById("warning");
  section.hidden = !first && !earlier.length;
  section.className = `sheet warning ${first ? first.severity : "calm"}`;
  document.getElementById("warning-title").textContent = first ? `${SEVERITY[first.severity]}: ${first.name}` : "Warnings";
  const listed = (list) => element("ul", {}, ...list.map((one) => element("li", {},
    element("b", {}, `${one.name}${one.stage ? `, ${one.stage}` : ""}: `), `${one.sentence} ${one.todo}`)));
  redraw("alarms", [here, earlier], () => [
    ...(first ? [element("p", { class: "sentence" }, first.sentence), element("p", { class: "todo" }, `→ ${first.todo}`)] : []),
    ...(rest.length ? [element("details", {}, element("summary", {}, `${rest.length} more in this stage`), listed(rest))] : []),
    ...(earlier.length ? [element("details", {}, element("summary", {}, `${earlier.length} of other stages`), listed(earlier))] : []),
  ]);
}

const SHOWN = 2;

// "confirm" means the newest; older ones are confirmed by their name, or by saying confirm once more.
function question(held, index, act) {
  const named = held.say !== "confirm";
  return element("li", {},
    element("span", {}, element("span", {}, `${held.name} `), element("b", {}, held.value), held.via ? `\u00a0by\u00a0${held.via}` : ""),
    named || index === 0 ? choice(`“${held.say}”`, held.say, act, { class: "first" }) : element("span", {}),
    element("span", { class: "why" }, ...held.why.map((one) => element("span", { class: `why-${one.severity}` },
      element("b", {}, `${SEVERITY[one.severity]}. `), `${one.sentence} ${one.todo} `))));
}

function questions(waiting, act) {
  document.getElementById("waiting").hidden = !waiting.length;
  document.getElementById("waiting-title").textContent = `Waits for “confirm”${waiting.length > 1 ? `: ${waiting.length}` : ""}`;
  redraw("questions", waiting, () => {
    const items = waiting.map((held, index) => question(held, index, act));
    const rest = items.splice(SHOWN);
    return [element("ul", {}, ...items),
      rest.length ? element("details", {}, element("summary", {}, `${rest.length} more`), element("ul", {}, ...rest)) : ""].filter(Boolean);
  });
}

const DECIDED = { queried: "? queried", rejected: "✕ rejected" };

// What came back from review: it is missing until it is taken anew, or, when it was only queried, confirmed.
function fromReviewer(list, act) {
  document.getElementById("returned").hidden = !list.length;
  document.getElementById("returned-title").textContent = `From the reviewer${list.length > 1 ? `: ${list.length}` : ""}`;
  redraw("reviewed", list, () => list.map((one) => element("li", {},
    element("span", {}, `${one.name} `, element(one.decision === "rejected" ? "del" : "b", {}, one.value),
      element("span", { class: "small" }, ` ${DECIDED[one.decision]}${one.stage ? `, ${one.stage}` : ""}`)),
    one.say && one.say !== "confirm" ? choice(`“${one.say}”`, one.say, act) : element("span", { class: "small" }, "take it anew"),
    element("span", { class: "comment" }, `“${one.comment}” ${one.person}`))));
}

export function showJob(board, act) {
  redraw("facts", [board.unit, board.reference, board.technician], () => facts(board));
  document.getElementById("title").textContent = board.procedure;
  redraw("cards", board.last, () => board.last.length
    ? board.last.map((one, index) => card(one, index < board.last.length - 1))
    : [element("p", { class: "value" }, "Nothing yet. Say “stage” and the stage you begin with.")]);
  document.getElementById("saying").textContent = board.busy ? board.busy : board.saying ? `The bench says: ${board.saying}`
    : board.unheard ? `Not read back to the end: ${board.unheard}. Look at the entries below.` : "";
  document.getElementById("caution").textContent = board.cautions[0] ?? "";
  document.getElementById("partial").textContent = board.partial ? `… ${board.partial}` : "";
  questions(board.waiting, act);
  fromReviewer(board.returned, act);
  alarms(board.warnings, board.earlier);
  stage(board, act);
  redraw("recent", board.recent, () => board.recent.map((one) => element("li", {},
    element("time", { datetime: one.at }, one.at.slice(11, 19)),
    element("span", { class: one.gone ? "gone" : "" }, `${one.name} ${one.value}`),
    element("span", { class: "small" }, one.gone ? "replaced" : one.status === "accepted" ? "" : one.status.replace("_", " ")))));
  redraw("care", board.cautions, () => board.cautions.map((text) => element("li", {}, text)));
  document.getElementById("practice").hidden = !board.practice.length;
  redraw("practice-file", board.practice, () => board.practice.map((name, index) => element("option", { value: index }, name)));
  sound(board.sound);
}

function sound(state) {
  const button = document.getElementById("listen");
  button.setAttribute("aria-pressed", String(state.listening));
  button.firstChild.textContent = state.listening ? "Listening " : state.held ? "Hold to speak " : "Not listening ";
  const words = { none: "No microphone yet.", ended: state.text, lost: state.text, listening: state.text };
  document.getElementById("sound").dataset.plain = words[state.state] ?? state.text;
}

export function showStart(board, act) {
  redraw("facts", [], () => []);
  document.getElementById("title").textContent = "Bench";
  redraw("procedure", board.procedures, () => board.procedures.map((one) => element("option", { value: one.id }, one.name)));
  showCautions(board);
  redraw("ended", board.ended, () => board.ended ? [ended(board.ended)] : []);
  redraw("jobs", board.jobs, () => board.jobs.length ? board.jobs.map((job) => listed(job, act))
    : [element("li", { class: "sheet" }, "None yet.")]);
}

export function showCautions(board) {
  const chosen = board.procedures.find((one) => one.id === document.getElementById("procedure").value);
  redraw("cautions", chosen?.cautions ?? [], () => (chosen?.cautions ?? []).map((text) => element("li", {}, text)));
}

function ended(job) {
  const lines = [...job.missing, ...job.warnings.map((one) => `${one.sentence} ${one.todo}`)];
  return element("section", { class: `sheet warning${lines.length ? " stop" : ""}`, "aria-label": "The job that was finished" },
    element("p", { class: "sentence" }, lines.length ? "The job is finished, but not all is well:" : "The job is finished and complete."),
    element("ul", {}, ...lines.map((text) => element("li", {}, text))));
}

function listed(job, act) {
  const done = job.state === "finished";
  const id = `who-${job.job}`;
  const who = element("label", { for: id }, "Technician", element("input", { id, name: "technician",
    value: document.body.dataset.person || job.technician, readonly: Boolean(document.body.dataset.person), maxlength: "120",
    required: true, autocomplete: "off" }));
  const why = done ? element("label", { for: `why-${job.job}` }, "Why", element("input", { id: `why-${job.job}`, name: "reason",
    maxlength: "120", required: true, autocomplete: "off" })) : null;
  const name = job.reference || job.procedure;
  return element("li", { class: "sheet" },
    element("div", {}, element("b", {}, name), element("p", { class: "small" },
      `${job.returned ? `▸ ${job.returned} came back from review · ` : ""}${job.procedure} · ${done ? "finished" : "left"} ${job.at.slice(0, 16).replace("T", " ")} · ${job.technician}`)),
    element("form", { onsubmit: (event) => { event.preventDefault(); act.takeUp(job, new FormData(event.target)); } },
      who, why, element("button", { type: "submit", class: done ? "" : "first", "aria-label": `${done ? "Open again" : "Go on with"} ${name}` },
        done ? "Open again" : "Go on")));
}
