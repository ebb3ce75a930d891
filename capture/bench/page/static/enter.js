// Takes the secret out of the address line, where it stays on this machine, and tells it to the bench.

const told = document.getElementById("told");

async function enter() {
  const token = location.hash.slice(1);
  if (!told || !token) return;
  history.replaceState(null, "", "/enter");
  told.textContent = "Coming in …";
  try {
    const answer = await fetch("/enter", { method: "POST", body: JSON.stringify({ token }) });
    const data = await answer.json();
    if (answer.ok) location.replace(data.to);
    else told.textContent = data.error;
  } catch {
    told.textContent = "The bench does not answer; is it running? Start it and open the address it prints.";
  }
}

window.addEventListener("hashchange", enter);
enter();
