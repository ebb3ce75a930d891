// The panel that pairs phones: shows a code for some minutes, lists what is paired, ends a pairing.

import { element, redraw } from "./show.js";

const at = (id) => document.getElementById(id);
let ends = 0;
let known = 0;

export function showPhones(phones, send) {
  if (!at("phones")) return;
  if (ends && phones.length > known) expire("A phone was paired. Show a new code for another one.");
  known = phones.length;
  redraw("paired", phones, () => phones.length
    ? phones.map((phone) => element("li", {}, `paired since ${phone.since}`,
      element("button", { type: "button", "data-key": phone.id, "aria-label": `Unpair the phone paired since ${phone.since}`,
        onclick: () => send("/phone/revoke", JSON.stringify({ id: phone.id })) }, "Unpair")))
    : [element("li", {}, "None is paired with this job.")]);
}

export function preparePhones(ask, send) {
  if (!at("phones")) return;
  at("pair").addEventListener("click", () => { at("phones").showModal(); offer(ask); });
  at("new-code").addEventListener("click", () => offer(ask));
  at("phones").addEventListener("close", () => {
    if (ends) send("/phone/withdraw", "{}");
    expire("");
    at("pair").focus();
  });
  setInterval(() => {
    const left = Math.ceil((ends - performance.now()) / 1000);
    if (ends && left <= 0) expire("The code is too old. Show a new one.");
    else if (ends) at("left").textContent = `Good for ${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}, once.`;
  }, 500);
}

async function offer(ask) {
  expire("");
  const made = await ask("/phone/pair", "{}");
  if (!made.svg) {
    at("pair-told").textContent = made.error;
    return;
  }
  at("pair-told").textContent = "";
  at("code").src = URL.createObjectURL(new Blob([made.svg], { type: "image/svg+xml" }));
  at("code").hidden = false;
  at("where").textContent = made.address;
  at("fingerprint").textContent = made.fingerprint;
  at("sealed").hidden = made.plain;
  at("open-line").hidden = !made.plain;
  ends = performance.now() + made.seconds * 1000;
}

function expire(text) {
  ends = 0;
  if (at("code").src) URL.revokeObjectURL(at("code").src);
  at("code").removeAttribute("src");
  at("code").hidden = true;
  at("left").textContent = text;
}
