// The phone's page: pairs by the token behind the #, takes a picture, sends it, shows what it became.

const at = (id) => document.getElementById(id);
const token = document.body.dataset.token;

let state = null;
let kept = null; // The picture that has not arrived yet: { file, view, id }.
let sending = false;

let toldOfLine = false; // What look() says it also takes back; other sentences stay until the next picture.
function tell(text, ofLine = false) {
  toldOfLine = ofLine;
  if (at("told").textContent !== text) at("told").textContent = text;
}
const show = (...ids) => { for (const id of ["take", "sending", "result"]) at(id).hidden = !ids.includes(id); };
const fresh = () => [...crypto.getRandomValues(new Uint8Array(12))].map((byte) => byte.toString(16).padStart(2, "0")).join("");

async function pair(offered) {
  history.replaceState(null, "", "/phone");
  tell("Pairing …");
  try {
    const answer = await fetch("/phone/enter", { method: "POST", body: JSON.stringify({ token: offered }) });
    const data = await answer.json();
    if (answer.ok) return void location.replace(data.to);
    tell(data.error);
  } catch {
    tell("The bench does not answer; is this phone on the bench's network?");
  }
}

async function look() {
  try {
    const answer = await fetch("/phone/state");
    const data = await answer.json();
    if (!answer.ok) {
      state = null;
      if (!kept) show();
      tell(answer.status === 401 ? "This phone is not paired any more; read a new code on the bench page." : data.error, true);
      return;
    }
    state = data;
    if (toldOfLine) tell("");
    drawState();
  } catch {
    if (!kept) tell("The line to the bench is lost; this page finds back by itself.", true);
  }
}

function drawState() {
  at("job").textContent = state.job;
  at("caution").textContent = state.caution;
  at("leave").hidden = false;
  const select = at("view");
  if (select.options.length !== state.views.length) {
    select.replaceChildren(...state.views.map((view) => new Option(view.name, view.id)));
  }
  const asked = state.views.find((view) => view.id === state.asked);
  if (asked && select.dataset.asked !== asked.id) select.value = asked.id;
  select.dataset.asked = asked?.id ?? "";
  const title = asked ? `The bench asks for: ${asked.name}` : "Which picture?";
  if (at("asked").textContent !== title) at("asked").textContent = title;
  if (at("sending").hidden && at("result").hidden) show("take");
}

function take(input) {
  const file = input.files[0];
  if (!file) return;
  kept = { file, view: at("view").value, id: fresh() };
  if (at("preview").src) URL.revokeObjectURL(at("preview").src);
  at("preview").src = URL.createObjectURL(file);
  input.value = "";
  send();
}

function send() {
  if (!kept || sending) return;
  sending = true;
  show("sending");
  at("again").hidden = true;
  at("sending-title").textContent = "Sending";
  at("progress").value = 0;
  tell("");
  const request = new XMLHttpRequest();
  request.open("POST", `/phone/photo?${new URLSearchParams({ view: kept.view, name: kept.file.name })}`);
  request.setRequestHeader("x-bench-token", token);
  request.setRequestHeader("x-upload-id", kept.id);
  request.setRequestHeader("content-type", "application/octet-stream");
  request.responseType = "json";
  request.timeout = 300000;
  request.upload.onprogress = (event) => {
    if (event.lengthComputable) at("progress").value = event.loaded / event.total;
    if (event.loaded === event.total) at("sending-title").textContent = "It has arrived and is being measured";
  };
  request.onload = () => {
    sending = false;
    if (request.status === 200 && request.response) return result(request.response);
    failed(request.response?.error ?? "The bench did not answer properly; send it again.", request.status);
  };
  request.onerror = request.ontimeout = () => {
    sending = false;
    failed("That did not reach the bench. The picture is still on this page: send it again when the line is back.", 0);
  };
  request.send(kept.file);
}

function failed(text, status) {
  at("sending-title").textContent = "Not sent";
  tell(text);
  if ([413, 415].includes(status)) {
    kept = null;
    show("take");
  } else at("again").hidden = false;
}

function result(data) {
  kept = null;
  at("card").className = `card ${data.tone}`;
  at("title").textContent = data.title;
  at("value").replaceChildren(...(data.expanded ? [unbroken(data.value), " ", unbroken(data.expanded)] : [data.value]));
  at("value").classList.toggle("text", !data.measured);
  const waits = data.status === "unconfirmed" ? "waits for “confirm” at the bench" : "";
  at("verdict").textContent = [data.measured ? data.verdict : "", waits].filter(Boolean).join(", ");
  at("limits").textContent = [data.expanded ? "± is the expanded uncertainty, k = 2" : "", data.limits ? `limits ${data.limits}` : ""]
    .filter(Boolean).join(" · ");
  at("todo").replaceChildren(...data.todo.map(([sentence, todo]) => {
    const item = document.createElement("li");
    const what = document.createElement("b");
    what.textContent = todo;
    item.append(sentence.includes(data.value) ? "" : `${sentence} `, what);
    return item;
  }));
  at("drawn").hidden = !data.picture;
  if (data.picture) at("drawn").src = `/phone/media/${data.picture}`;
  if (data.view) at("view").value = data.view;
  show("result");
  at("title").focus();
}

function unbroken(text) {
  const made = document.createElement("span");
  made.className = "unbroken";
  made.textContent = text;
  return made;
}

async function leave() {
  await fetch("/logout", { method: "POST", headers: { "x-bench-token": token } }).catch(() => {});
  location.replace("/phone");
}

const read = () => location.hash.length > 1 && (pair(location.hash.slice(1)), true);
window.addEventListener("hashchange", read);
if (!read() && document.body.dataset.paired) {
  for (const id of ["picture", "stored"]) at(id).addEventListener("change", () => take(at(id)));
  at("again").addEventListener("click", send);
  at("next").addEventListener("click", () => { show("take"); at("picture").click(); });
  at("other").addEventListener("click", () => { show("take"); at("view").focus(); });
  at("leave").addEventListener("click", leave);
  window.addEventListener("beforeunload", (event) => { if (kept) event.preventDefault(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
  setInterval(() => { if (!document.hidden && !sending) look(); }, 2500);
  look();
}
