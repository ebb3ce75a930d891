// Sends name and passphrase to the bench.

const form = document.getElementById("login");
const told = document.getElementById("told");

async function login(event) {
  event.preventDefault();
  const button = form.querySelector("button");
  if (button.disabled) return;
  button.disabled = true;
  told.textContent = "";
  try {
    const answer = await fetch("/login", { method: "POST", body: JSON.stringify(Object.fromEntries(new FormData(form))) });
    const data = await answer.json();
    if (answer.ok) return void location.replace(data.to);
    told.textContent = data.error;
    form.passphrase.value = "";
    form.passphrase.focus();
  } catch {
    told.textContent = "The bench does not answer; is this device on its network?";
  } finally {
    button.disabled = false;
  }
}

form?.addEventListener("submit", login);
