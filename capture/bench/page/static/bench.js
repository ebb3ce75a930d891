// The bench page: keeps the line to the bench, shows its board, and turns keys, touches and files into requests.

import * as microphone from "./microphone.js";
import { preparePhones, showPhones } from "./pair.js";
import { element, showCautions, showJob, showStart } from "./show.js";
import { cue, say, wake } from "./sound.js";

const token = document.body.dataset.token;
const person = document.body.dataset.person;
const works = !document.body.classList.contains("reads");
const at = (id) => document.getElementById(id);
let board = null;
let boardAt = 0;
let heardAt = performance.now();
let online = false;
let stranger = false; // The session ended: the line will not come back by itself.

const WORDS = [
  ["confirm", "c", "Confirm"], ["disregard", "d", "Disregard"], ["say again", "a", "Say again"],
  ["read back", "b", "Read back"], ["what is missing", "m", "What is missing"],
];
const KEYS = [
  ...WORDS.map(([, key, name]) => [key, name]),
  ["n", "Next stage"], ["t", "Type a line"], ["p", "Take or send a picture"],
  ...(document.getElementById("pair") ? [["q", "Pair a phone"]] : []),
  ["l", "Listening on or off"], ["Esc", "Stop the voice"],
];

async function ask(path, body, type = "application/json") {
  try {
    const answer = await fetch(path, { method: "POST", body, headers: { "content-type": type, "x-bench-token": token } });
    return await answer.json();
  } catch {
    return { error: "That did not reach the bench; it is not stored. Send it again when the line is back." };
  }
}

async function send(path, body, type) {
  at("answer").textContent = "";
  const data = await ask(path, body, type);
  at("answer").textContent = data.error ?? "";
  return data.error === undefined;
}

const act = {
  say: (line) => send("/say", JSON.stringify({ line })),
  begin: (words) => { at("line").value = words; at("line").focus(); },
  picture: () => (board.camera ? send("/camera", "{}") : at("picture").click()),
  takeUp: (job, form) => send(`/job/${job.state === "finished" ? "reopen" : "resume"}`,
    JSON.stringify({ job: job.job, technician: form.get("technician"), reason: form.get("reason") ?? "" })),
};

async function sendPicture(file) {
  if (!file) return;
  const query = new URLSearchParams({ name: file.name });
  at("answer").textContent = "";
  await send(`/photo?${query}`, file, "application/octet-stream");
  at("picture").value = "";
}

let microphoneWanted = false;
let microphoneStarting = false;

async function useMicrophone(on) {
  microphoneWanted = on;
  if (on && !microphoneStarting) {
    microphoneStarting = true;
    const allowed = await microphone.start(token, (text) => { at("answer").textContent = text; microphoneShown(); });
    microphoneWanted = allowed && microphoneWanted;
    microphoneStarting = false;
  }
  if (!on) await microphone.end();
  microphoneShown();
}

function microphoneShown() {
  at("microphone").setAttribute("aria-pressed", String(microphone.running()));
}

function show() {
  const job = board.mode === "job";
  at("start").hidden = job;
  at("bench").hidden = !job;
  at("controls").hidden = !job || !works;
  showPhones(board.phones, send);
  if (job) showJob(board, act);
  else {
    if (microphoneWanted) useMicrophone(false);
    showStart(board, act);
  }
  trouble();
  tick();
}

function trouble() {
  const away = stranger ? "The bench does not know this page any more; the job goes on. Come in again to see it."
    : "The line to the bench is lost. What is shown may be old; it catches up by itself.";
  const lines = [...(online ? [] : [away]),
    ...(board?.troubles ?? [])];
  at("lost").hidden = !lines.length;
  at("back").hidden = online || !stranger;
  const text = lines.join(" ");
  if (at("lost").textContent !== text) at("lost").textContent = text;
}

function tick() {
  const place = at("elapsed");
  if (place && board.mode === "job") {
    const seconds = Math.floor(board.elapsed_s + (performance.now() - boardAt) / 1000);
    const two = (number) => String(number).padStart(2, "0");
    place.textContent = `${Math.floor(seconds / 3600)}:${two(Math.floor(seconds / 60) % 60)}:${two(seconds % 60)}`;
  }
  if (online && performance.now() - heardAt > 5000) lost();
}

const FAULTS = { clipping: "Too loud: move away from it or turn it down.", too_quiet: "Too quiet: come closer or turn it up.",
  no_signal: "No sound at all: is it muted?" };

let levelAt = 0;
function level(data) {
  levelAt = performance.now();
  const db = Math.max(-80, Math.min(0, data.rms));
  at("meter").setAttribute("aria-valuenow", String(Math.round(db)));
  at("meter").className = `meter ${data.fault}`;
  at("bar").style.width = `${((db + 80) / 80) * 100}%`;
  const text = FAULTS[data.fault] ?? at("sound").dataset.plain ?? "";
  if (at("sound").textContent !== text) at("sound").textContent = text;
}

function rest() {
  if (performance.now() - levelAt < 700) return;
  at("bar").style.width = "0";
  at("sound").textContent = at("sound").dataset.plain ?? "";
}

function found() {
  heardAt = performance.now();
  if (online) return;
  online = true;
  stranger = false;
  at("link").textContent = "connected";
  at("link").classList.remove("away");
  if (board) trouble();
}

function lost() {
  online = false;
  at("link").textContent = "not connected";
  at("link").classList.add("away");
  trouble();
}

function connect() {
  const line = new EventSource("/events");
  const on = (kind, action) => line.addEventListener(kind, (event) => { found(); action(JSON.parse(event.data)); });
  on("board", (data) => {
    board = data;
    boardAt = performance.now();
    show();
    if (microphoneWanted && !microphone.running()) useMicrophone(true);
  });
  on("level", level);
  on("partial", (data) => { at("partial").textContent = data.text ? `… ${data.text}` : ""; });
  on("cue", (data) => cue(data.cue));
  on("say", (data) => works && say(data.number, (number) => send(`/said/${number}/end`, "{}")));
  on("beat", () => {});
  line.onerror = async () => {
    lost();
    if (line.readyState !== EventSource.CLOSED) return;
    stranger = await fetch("/me").then((answer) => answer.status === 401, () => false);
    trouble();
    setTimeout(connect, 1000);
  };
}

function key(event) {
  if (board?.mode !== "job" || !works || event.ctrlKey || event.altKey || event.metaKey) return;
  if (document.querySelector("dialog[open]")) return;
  const writing = event.target.matches("input:not([type=checkbox]):not([type=file]), select, textarea");
  if (event.key === "Escape") {
    if (writing) event.target.blur();
    send("/hush", "{}");
    return;
  }
  if (writing || !at("single").checked) return;
  const pressed = event.key.toLowerCase();
  const word = WORDS.find(([, letter]) => letter === pressed);
  const next = board.stages.find((stage) => stage.next);
  if (word) act.say(word[0]);
  else if (pressed === "n" && next) act.say(next.say);
  else if (pressed === "t") at("line").focus();
  else if (pressed === "p") act.picture();
  else if (pressed === "q" && at("pair")) at("pair").click();
  else if (pressed === "l" && board.sound.held) talk(true);
  else if (pressed === "l") at("listen").click();
  else return;
  event.preventDefault();
}

let talking = false;
function talk(on) {
  if (talking === on) return;
  talking = on;
  send("/listening", JSON.stringify({ on }));
}

function released(event) {
  if (talking && (event.type !== "keyup" || event.key.toLowerCase() === "l")) talk(false);
}

function prepare() {
  for (const [words, letter, name] of WORDS) {
    at("commands").append(element("button", { type: "button", class: words === "confirm" ? "first" : "", onclick: () => act.say(words) },
      name, element("kbd", {}, letter.toUpperCase())));
  }
  at("keys").append(...KEYS.map(([letter, name]) => element("div", {}, element("dt", {}, name),
    element("dd", {}, element("kbd", {}, letter.length === 1 ? letter.toUpperCase() : letter)))));
  at("typing").addEventListener("submit", async (event) => {
    event.preventDefault();
    const line = at("line").value;
    if (!line.trim()) return;
    at("line").value = "";
    if (!(await act.say(line)) && !at("line").value) at("line").value = line;
  });
  at("open").addEventListener("submit", async (event) => {
    event.preventDefault();
    const button = event.target.querySelector("button");
    if (button.disabled) return;
    button.disabled = true;
    button.textContent = "Opening …";
    await send("/job/open", JSON.stringify(Object.fromEntries(new FormData(event.target))));
    button.textContent = "Open the job";
    button.disabled = false;
  });
  at("procedure").addEventListener("change", () => showCautions(board));
  at("picture").addEventListener("change", () => sendPicture(at("picture").files[0]));
  at("practice").addEventListener("submit", (event) => {
    event.preventDefault();
    send(`/practice/${at("practice-file").value}`, "{}");
  });
  at("pause").addEventListener("click", () => send("/job/pause", "{}"));
  at("finish").addEventListener("click", () => send("/job/finish", "{}"));
  at("hand-over").addEventListener("submit", async (event) => {
    event.preventDefault();
    if (await send("/job/hand-over", JSON.stringify({ technician: at("next-person").value }))) event.target.reset();
  });
  at("listen").addEventListener("click", () => board?.sound?.held || send("/listening",
    JSON.stringify({ on: at("listen").getAttribute("aria-pressed") !== "true" })));
  at("listen").addEventListener("pointerdown", () => board?.sound?.held && talk(true));
  for (const kind of ["pointerup", "pointercancel", "blur"]) window.addEventListener(kind, released);
  document.addEventListener("keyup", released);
  at("microphone").addEventListener("click", () => useMicrophone(!microphoneWanted));
  at("logout")?.addEventListener("click", async () => { await ask("/logout", "{}"); location.replace("/"); });
  preparePhones(ask, send);
  for (const kind of ["pointerdown", "keydown"]) document.addEventListener(kind, wake, { capture: true });
  document.addEventListener("keydown", key);
  document.addEventListener("dragover", (event) => { event.preventDefault(); document.body.classList.add("dropping"); });
  document.addEventListener("dragleave", () => document.body.classList.remove("dropping"));
  document.addEventListener("drop", (event) => {
    event.preventDefault();
    document.body.classList.remove("dropping");
    sendPicture(event.dataTransfer.files[0]);
  });
  setInterval(tick, 500);
  setInterval(rest, 500);
  connect();
}

prepare();
