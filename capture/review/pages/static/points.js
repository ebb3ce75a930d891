// Pointing at a picture: with the mouse, a finger, or with keys alone. Points are in the picture's own pixels, and (0, 0)
// is the middle of the first pixel.
import { at, trouble } from "./common.js";

const STEP = 12;
let points = { tip: [], rim: [] };
let order = [];
let which = "tip";
let scale = 1;
let shown = 1;
let cross = [0, 0];
let unit = null;
let store = null;
let known = { tip: null, rim: null };

const photo = () => at("photo");
const svg = (tag, facts) => {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(facts)) made.setAttribute(name, value);
  return made;
};

const both = (kind, d) => [svg("path", { class: "mark-case", d }), svg("path", { class: `mark-${kind}`, d })];
const plus = ([x, y], size) => `M${x - size} ${y}H${x + size}M${x} ${y - size}V${y + size}`;
const times = ([x, y], size) => `M${x - size} ${y - size}L${x + size} ${y + size}M${x - size} ${y + size}L${x + size} ${y - size}`;

function drawMarks() {
  const size = 9 / scale;
  const middle = ([x, y]) => [x + 0.5, y + 0.5];
  const marks = [];
  if (known.tip && !points.tip.length) marks.push(svg("circle", { class: "mark-found", cx: known.tip[0] + 0.5, cy: known.tip[1] + 0.5, r: size }));
  if (known.rim && !points.rim.length) marks.push(svg("path", { class: "mark-found", d: `M${known.rim.map((p) => middle(p).join(" ")).join("L")}` }));
  for (const point of points.tip) marks.push(...both("tip", times(middle(point), size)));
  for (const point of points.rim) marks.push(...both("rim", plus(middle(point), size)));
  const [x, y] = middle(cross);
  marks.push(svg("path", { class: "mark-cross", d: `${plus([x, y], 2 * size)}` }));
  at("marks").replaceChildren(...marks);
  at("points").textContent = `Tip: ${points.tip.length ? "given" : "as found"}. Rim: ${points.rim.length ? `${points.rim.length} points${points.rim.length < 3 ? ", at least 3 are needed" : ""}` : "as found"}.`;
}

function size() {
  photo().width = photo().naturalWidth * scale;
  photo().height = photo().naturalHeight * scale;
  at("marks").setAttribute("viewBox", `0 0 ${photo().naturalWidth} ${photo().naturalHeight}`);
  drawMarks();
}

function zoomTo(factor) {
  const stage = at("stage");
  scale = Math.min(4, Math.max(stage.clientWidth / photo().naturalWidth / 2, scale * factor));
  size();
  centre();
}

function centre() {
  const stage = at("stage");
  stage.scrollLeft = cross[0] * scale - stage.clientWidth / 2;
  stage.scrollTop = cross[1] * scale - stage.clientHeight / 2;
}

function put(point) {
  const rounded = point.map((value) => Math.round(value * 10) / 10);
  if (which === "tip") points.tip = [rounded]; else points.rim.push(rounded);
  order.push(which);
  shown = Math.max(shown, 1 / scale);
  cross = rounded;
  at("measured").textContent = "";
  if (which === "tip") turn("rim");
  drawMarks();
}

function back() {
  const last = order.pop();
  if (last) points[last].pop();
  if (last) turn(last);
  drawMarks();
}

function turn(to) {
  which = to;
  at("point-tip").setAttribute("aria-pressed", String(to === "tip"));
  at("point-rim").setAttribute("aria-pressed", String(to === "rim"));
}

function move(dx, dy, fine) {
  const step = fine ? 1 : Math.max(1, STEP / scale);
  cross = [Math.min(photo().naturalWidth - 1, Math.max(0, cross[0] + dx * step)), Math.min(photo().naturalHeight - 1, Math.max(0, cross[1] + dy * step))];
  drawMarks();
  const stage = at("stage");
  const x = cross[0] * scale - stage.scrollLeft, y = cross[1] * scale - stage.scrollTop;
  if (x < 20 || y < 20 || x > stage.clientWidth - 20 || y > stage.clientHeight - 20) centre();
}

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

at("measuring").addEventListener("keydown", (event) => {
  if (event.target.matches("input") || event.ctrlKey || event.metaKey || event.altKey) return;
  const onStage = event.target === at("stage");
  if (onStage && ARROWS[event.key]) move(...ARROWS[event.key], event.shiftKey);
  else if (onStage && event.key === "Enter") put(cross);
  else if (event.key === "Backspace") back();
  else if (event.key === "t") turn("tip");
  else if (event.key === "r") turn("rim");
  else if (event.key === "+") zoomTo(1.5);
  else if (event.key === "-") zoomTo(1 / 1.5);
  else return;
  event.preventDefault();
});

at("stage").addEventListener("click", (event) => {
  const box = photo().getBoundingClientRect();
  const place = [(event.clientX - box.left) / scale - 0.5, (event.clientY - box.top) / scale - 0.5];
  if (place.some((value) => value < -0.5) || place[0] > photo().naturalWidth || place[1] > photo().naturalHeight) return;
  put(place);
  at("stage").focus({ preventScroll: true });
});
at("point-tip").addEventListener("click", () => turn("tip"));
at("point-rim").addEventListener("click", () => turn("rim"));
at("point-back").addEventListener("click", back);
at("closer").addEventListener("click", () => zoomTo(1.5));
at("farther").addEventListener("click", () => zoomTo(1 / 1.5));

function ready() {
  if (points.tip.length || points.rim.length) return true;
  trouble("Point at the tip, or at three points of the rim, first.", "measuring-trouble");
  return false;
}

async function measure(keep) {
  if (!ready()) return null;
  at("measured").textContent = "Measuring …";
  const found = await store({ entry: unit.dataset.id, ...points, shown, comment: at("measuring-why").value, store: keep });
  at("measured").textContent = found ? `${found.value}${found.flags.length ? `. ${found.flags.join(" ")}` : ""}` : "";
  return found;
}

at("try").addEventListener("click", () => measure(false));
at("measuring").querySelector("form").addEventListener("submit", async (event) => {
  event.preventDefault();
  if (await measure(true)) at("measuring").close();
});

export function measuring(chosen, keep) {
  unit = chosen;
  store = keep;
  points = { tip: [], rim: [] };
  order = [];
  shown = 1;
  known = JSON.parse(chosen.dataset.points);
  turn("tip");
  at("measured").textContent = "";
  at("measuring-why").value = "";
  trouble("", "measuring-trouble");
  at("measuring").showModal();
  photo().onload = () => {
    cross = known.tip ?? [photo().naturalWidth / 2, photo().naturalHeight / 2];
    scale = (known.tip ? 2 : 1) * (at("stage").clientWidth / photo().naturalWidth);
    size();
    centre();
    at("stage").focus({ preventScroll: true });
  };
  photo().src = chosen.dataset.photo;
}
