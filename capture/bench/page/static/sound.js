// The bench's tones and our voice, through one audio context that the first touch or key wakes.

let context = null;
let playing = null;
let busyUntil = 0;
const tones = JSON.parse(document.body.dataset.tones);

export function wake() {
  context ??= new AudioContext();
  if (context.state === "suspended") context.resume();
}

export function cue(name) {
  if (!context || context.state !== "running" || !tones[name]) return;
  const begin = Math.max(context.currentTime + 0.01, busyUntil);
  for (const note of tones[name]) {
    const oscillator = new OscillatorNode(context, { type: note.wave, frequency: note.hertz });
    const gain = new GainNode(context, { gain: 0 });
    const at = begin + note.at_s;
    gain.gain.setValueAtTime(0, at);
    gain.gain.linearRampToValueAtTime(note.gain, at + 0.01);
    gain.gain.setValueAtTime(note.gain, at + note.lasts_s - 0.02);
    gain.gain.linearRampToValueAtTime(0, at + note.lasts_s);
    oscillator.connect(gain).connect(context.destination);
    oscillator.start(at);
    oscillator.stop(at + note.lasts_s + 0.01);
    busyUntil = Math.max(busyUntil, at + note.lasts_s + 0.03);
  }
}

// Says line `number`; 0 stops what is being said. `ended` is told when the line came to its end.
export async function say(number, ended) {
  if (playing) {
    const old = playing;
    playing = null;
    old.onended = null;
    old.stop();
  }
  if (!number) return;
  if (!context || context.state !== "running") return ended(number);
  try {
    const answer = await fetch(`/said/${number}`);
    if (!answer.ok) return;
    const source = new AudioBufferSourceNode(context, { buffer: await context.decodeAudioData(await answer.arrayBuffer()) });
    source.connect(context.destination);
    source.onended = () => { if (playing === source) { playing = null; ended(number); } };
    playing = source;
    source.start(Math.max(context.currentTime, busyUntil));
  } catch {
    ended(number);
  }
}
