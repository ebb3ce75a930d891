// Going down and up a list of jobs with keys.
import { typing } from "./common.js";

const links = () => [...document.querySelectorAll(".job a.go, .answer td a")];

document.addEventListener("keydown", (event) => {
  if (typing(event)) return;
  const step = { j: 1, ArrowDown: 1, k: -1, ArrowUp: -1 }[event.key];
  const list = links();
  if (!step || !list.length) return;
  event.preventDefault();
  const here = list.indexOf(document.activeElement);
  const next = here < 0 ? 0 : Math.min(list.length - 1, Math.max(0, here + step));
  list[next].focus({ preventScroll: true });
  list[next].scrollIntoView({ block: "nearest" });
});
