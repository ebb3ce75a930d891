// A job's review: one entry is current; every act is a key, a button, and a new row of the record.
import { at, element, send, trouble, typing } from "./common.js";
import { measuring } from "./points.js";

const job = document.body.dataset.job;
const player = at("player");
const units = () => [...document.querySelectorAll(".unit")];
let current = null;
let clip = null;
let nowDrawn = 0;

const kept = (name, usual) => (localStorage.getItem(`review-${name}`) ?? usual) === "yes";
const keep = (name, on) => localStorage.setItem(`review-${name}`, on ? "yes" : "no");
const pressed = (id) => at(id).getAttribute("aria-pressed") === "true";
const say = (text) => { at("told").textContent = text; };

// Sound.

const clipOf = (unit) => {
  const part = unit?.closest(".part");
  return part?.querySelector(".clip") ?? unit?.closest(".card").querySelector(".clip") ?? null;
};

function draw() {
  const line = clip?.querySelector(".wave-now");
  if (!line || player.paused) return;
  const x = player.duration ? (320 * player.currentTime) / player.duration : -5;
  line.setAttribute("x1", x);
  line.setAttribute("x2", x);
  nowDrawn = requestAnimationFrame(draw);
}

function still() {
  cancelAnimationFrame(nowDrawn);
  clip?.classList.remove("playing");
  for (const end of ["x1", "x2"]) clip?.querySelector(".wave-now")?.setAttribute(end, -5);
}

function play(button) {
  if (!button) return;
  still();
  player.pause();
  clip = button;
  if (player.dataset.clip !== button.dataset.clip) {
    player.src = button.dataset.clip;
    player.dataset.clip = button.dataset.clip;
  }
  player.currentTime = 0;
  player.playbackRate = pressed("slow") ? 0.7 : 1;
  player.play().catch(() => {});
}

function toggle() {
  const button = clipOf(current);
  if (!player.paused && clip === button) player.pause();
  else if (button) play(button);
  else say("There is no sound to this entry.");
}

player.addEventListener("play", () => { clip?.classList.add("playing"); draw(); });
for (const kind of ["pause", "ended"]) player.addEventListener(kind, still);
player.addEventListener("error", () => trouble("The clip cannot be played; verify the record."));

// Which entry is current.

function choose(unit, { sound = false, scroll = true } = {}) {
  if (!unit) return;
  current?.classList.remove("current");
  if (current) current.tabIndex = -1;
  current = unit;
  unit.classList.add("current");
  unit.tabIndex = 0;
  unit.focus({ preventScroll: true });
  if (scroll) unit.closest(".part").scrollIntoView({ block: "center", behavior: "instant" });
  history.replaceState(null, "", `#${unit.id}`);
  if (sound && pressed("follow")) {
    const button = clipOf(unit);
    if (button) play(button); else player.pause();
  }
}

function move(step) {
  const list = units();
  const here = list.indexOf(current);
  choose(list[here < 0 ? 0 : Math.min(list.length - 1, Math.max(0, here + step))], { sound: true });
}

// The next entry after the current one for which something is true, from the top again after the last one.
function next(wanted, none) {
  const list = units();
  const here = list.indexOf(current);
  const order = [...list.slice(here + 1), ...list.slice(0, Math.max(0, here))];
  const found = order.find((unit) => unit.hasAttribute(wanted));
  if (found) choose(found, { sound: true });
  else say(none);
  return Boolean(found);
}

// Acts.

function show(found) {
  if (found.load) { location.reload(); return; }
  const old = at(found.key);
  const index = [...old.querySelectorAll(".unit")].indexOf(current);
  const made = element("template");
  made.innerHTML = found.card;
  const fresh = made.content.querySelector(".card");
  if (clip && old.contains(clip)) { player.pause(); clip = null; }
  old.replaceWith(fresh);
  at("top").innerHTML = found.top;
  const same = at(current.id) ?? fresh.querySelectorAll(".unit")[Math.max(0, index)];
  const written = [...fresh.querySelectorAll(".unit[data-open]")].pop();
  current = null;
  choose(same.hasAttribute("data-open") ? same : written ?? same, { scroll: false });
}

async function act(path, data, where = "trouble") {
  if (!at("person") || at("person").value.trim()) return send(`/review/job/${job}/${path}`, data, where);
  trouble("Write your name into “Who reviews” first, and press “That is me”.", where);
  if (where === "trouble") at("person").focus();
  return null;
}

async function decide(decision, comment = "", where = "trouble") {
  const unit = current;
  const found = await act("decide", { entry: unit.dataset.id, decision, comment }, where);
  if (!found) return false;
  show(found);
  say({ accepted: "accepted", queried: "queried", rejected: "rejected", commented: "remark stored" }[decision]);
  if (decision !== "commented") next("data-undecided", "Every entry has been decided.");
  return true;
}

// The next key is for the current entry at once, not only after the browser has noticed that the dialog is gone.
function shut(id) {
  at(id).close();
  current?.focus({ preventScroll: true });
}

const name = (unit) => unit.getAttribute("aria-label");
let asking = null;

const ASKS = {
  query: ["Query this entry", "What is to be made clear", "Query it", "It comes back on the bench page and is missing until it is taken anew or confirmed."],
  reject: ["Reject this entry", "Why it cannot stand", "Reject it", "It does not stand any more, comes back on the bench page, and is missing until it is taken anew."],
  comment: ["A remark on this entry", "Remark", "Store it", "A remark decides nothing."],
  correct: ["Correct this entry", "Why", "Put it on record", "A new entry takes its place; both stay on record."],
  reopen: ["Back to the bench", "Why the job is opened again", "Open it again", "The job can then be taken up at the bench; its signatures will say that something came after them."],
};

function ask(what) {
  const [title, label, go, about] = ASKS[what];
  asking = what;
  at("ask-title").textContent = title;
  at("ask-about").textContent = what === "reopen" ? about : `${name(current)}. ${about}`;
  at("ask-label").textContent = label;
  at("ask-go").textContent = go;
  at("ask-why").value = "";
  at("ask-line-field").hidden = what !== "correct";
  at("ask-line").value = what === "correct" ? current.dataset.line : "";
  trouble("", "ask-trouble");
  at("ask").showModal();
  at(what === "correct" ? "ask-line" : "ask-why").focus();
}

at("ask").querySelector("form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const why = at("ask-why").value;
  let done = false;
  if (asking === "correct") {
    const found = await act("correct", { entry: current.dataset.id, line: at("ask-line").value, comment: why }, "ask-trouble");
    if (found) { at("ask").close(); show(found); say("corrected; both entries stay on record"); }
    return;
  }
  if (asking === "reopen") done = await act("reopen", { comment: why }, "ask-trouble");
  else {
    const decision = { query: "queried", reject: "rejected", comment: "commented" }[asking];
    if (!why.trim()) { trouble("Say why, so that whoever reads it knows what to do.", "ask-trouble"); at("ask-why").focus(); return; }
    done = await decide(decision, why, "ask-trouble");
  }
  if (done) shut("ask");
  if (done?.load) location.reload();
});
at("ask-why").addEventListener("keydown", (event) => {
  if (event.key === "Enter" && !event.shiftKey) { event.preventDefault(); at("ask").querySelector("form").requestSubmit(); }
});

async function undo() {
  if (!current.hasAttribute("data-undo")) { say("Nothing was decided on this entry."); return; }
  const found = await act("take-back", { entry: current.dataset.id });
  if (found) { show(found); say("taken back; both rows stay on record"); }
}

const ACTS = {
  accept: () => decide("accepted"), query: () => ask("query"), reject: () => ask("reject"), correct: () => ask("correct"),
  comment: () => ask("comment"), undo,
  measure: () => measuring(current, async (data) => {
    const found = await act("measure", data, "measuring-trouble");
    if (found?.card) { show(found); say("measured again; both stay on record"); }
    return found;
  }),
};

function run(what) {
  if (!current) { say("Choose an entry first."); return; }
  if (!current.querySelector(`[data-act="${what}"]`)) { say("That cannot be done to this entry."); return; }
  ACTS[what]();
}

// Signing, pictures, keys.

function openSigning() {
  at("unsettled").replaceChildren(at("unsettled-now").content.cloneNode(true));
  const left = document.querySelectorAll("[data-undecided]").length;
  if (left) at("unsettled").append(element("li", {}, left === 1 ? "One entry has not been decided." : `${left} entries have not been decided.`));
  at("passphrase").value = "";
  const who = at("person")?.value.trim();
  at("signer").textContent = who ? `${who}’s` : "your";
  trouble("", "signing-trouble");
  at("signing").showModal();
  at("passphrase").focus();
}

at("signing").querySelector("form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const found = await act("sign", { role: at("role").value, passphrase: at("passphrase").value }, "signing-trouble");
  if (found) { at("signing").close(); location.reload(); }
});

function enlarge(button) {
  const picture = at("big-picture");
  picture.src = button.dataset.src;
  picture.alt = button.querySelector("img").alt;
  at("big").showModal();
}

function zoom() {
  const button = current?.closest(".part").querySelector(".zoom");
  if (button) enlarge(button); else say("There is no picture to this entry.");
}

function fullSize() {
  const on = !pressed("big-size");
  at("big-size").setAttribute("aria-pressed", String(on));
  at("big").querySelector(".scroller").classList.toggle("full", on);
}

function flip(id) {
  const on = !pressed(id);
  at(id).setAttribute("aria-pressed", String(on));
  keep(id, on);
  if (id === "slow") player.playbackRate = on ? 0.7 : 1;
  say(`${at(id).firstChild.textContent.trim()}: ${on ? "on" : "off"}`);
}

const KEYS = [
  [["j", "ArrowDown"], "next entry", () => move(1)], [["k", "ArrowUp"], "entry before", () => move(-1)],
  [["n"], "next entry that needs a look", () => next("data-wanted", "Nothing else needs a look.")],
  [[" "], "play or stop the clip", toggle], [["s"], "slow sound", () => flip("slow")], [["p"], "play as I go", () => flip("follow")],
  [["z"], "enlarge the picture", zoom],
  [["a"], "accept, go on to the next undecided", () => run("accept")], [["q"], "query", () => run("query")], [["r"], "reject", () => run("reject")],
  [["c"], "correct", () => run("correct")], [["e"], "measure the picture again", () => run("measure")], [["m"], "remark", () => run("comment")],
  [["u"], "take back", () => run("undo")], [["g"], "sign the job", openSigning],
  [["b"], "back to the bench", () => { if (at("reopen")) ask("reopen"); else say("The job is not finished."); }],
  [["l"], "list of jobs", () => location.assign("/review")], [["?"], "these keys", () => at("keys").showModal()],
];
const SHOWN = { " ": "Space", ArrowDown: "↓", ArrowUp: "↑" };

document.addEventListener("keydown", (event) => {
  if (typing(event) || document.querySelector("dialog[open]")) {
    if (event.key === "z" && at("big").open) fullSize();
    return;
  }
  if (event.key === " " && event.target.closest("button, a, summary, .scroll")) return;
  if (event.key.length === 1 && event.key !== " " && !at("single").checked) return;
  const found = KEYS.find(([keys]) => keys.includes(event.key));
  if (!found) return;
  event.preventDefault();
  found[2]();
});

document.addEventListener("click", (event) => {
  const target = event.target.closest("button, .unit, .part");
  if (!target) return;
  if (target.dataset.close !== undefined) { target.closest("dialog").close(); return; }
  const unit = target.closest(".unit") ?? target.closest(".part")?.querySelector(".unit");
  if (unit && unit !== current) choose(unit, { scroll: false });
  if (target.matches(".clip, .mini")) { if (!player.paused && clip === target) player.pause(); else play(target); }
  else if (target.matches(".zoom")) enlarge(target);
  else if (target.dataset.act) run(target.dataset.act);
});

const DOES = { next: () => next("data-wanted", "Nothing else needs a look."), follow: () => flip("follow"), slow: () => flip("slow"),
  sign: openSigning, reopen: () => ask("reopen"), help: () => at("keys").showModal(), "big-size": fullSize };
for (const [id, action] of Object.entries(DOES)) at(id)?.addEventListener("click", action);
for (const dialog of document.querySelectorAll("dialog")) dialog.addEventListener("close", () => current?.focus({ preventScroll: true }));
document.addEventListener("focusin", (event) => {
  const unit = event.target.closest?.(".unit");
  if (unit && unit !== current) choose(unit, { scroll: false });
});
at("key-list").append(...KEYS.map(([keys, words]) => element("div", {}, element("dt", {}, words),
  element("dd", {}, ...keys.map((key) => element("kbd", {}, SHOWN[key] ?? key))))));
for (const id of ["follow", "slow"]) at(id).setAttribute("aria-pressed", String(kept(id, id === "follow" ? "yes" : "no")));
at("single").checked = kept("single", "yes");
at("single").addEventListener("change", () => keep("single", at("single").checked));

const first = location.hash ? at(location.hash.slice(1)) : null;
if (first?.matches(".unit")) choose(first);
else if (units()[0]) units()[0].tabIndex = 0;
