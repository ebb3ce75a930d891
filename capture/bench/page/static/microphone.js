// This browser's microphone, as 16 kHz sound over a socket.

let stop = null;

export const running = () => stop !== null;

// Resolves to whether the microphone may be used; `told` gets a sentence when it may not, or stops by itself.
export async function start(token, told) {
  await end();
  if (!navigator.mediaDevices) {
    told("Browsers give their microphone to encrypted pages only; use the page of the bench's own machine, or start without --plain.");
    return false;
  }
  let stream;
  try {
    stream = await navigator.mediaDevices.getUserMedia({
      audio: { channelCount: 1, echoCancellation: true, noiseSuppression: false, autoGainControl: false } });
  } catch (fault) {
    told(`The browser's microphone cannot be used (${fault.message}); allow it for this page, or choose another.`);
    return false;
  }
  let context;
  let source;
  try {
    context = new AudioContext({ sampleRate: 16000 });
    source = context.createMediaStreamSource(stream);
  } catch {
    context = new AudioContext();
    source = context.createMediaStreamSource(stream);
  }
  await context.audioWorklet.addModule("/static/worklet.js");
  const pieces = new AudioWorkletNode(context, "pieces");
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  const socket = new WebSocket(`${scheme}://${location.host}/sound?rate=${context.sampleRate}`, ["bench", token]);
  socket.binaryType = "arraybuffer";
  pieces.port.onmessage = (message) => { if (socket.readyState === WebSocket.OPEN) socket.send(message.data.buffer); };
  const ended = (sentence) => { if (stop) end().then(() => told(sentence)); };
  socket.onclose = (event) => ended(event.reason || "The connection of the microphone was lost; use it again.");
  stream.getAudioTracks()[0].onended = () => ended("The microphone is gone; plug it in and use it again.");
  source.connect(pieces);
  stop = () => {
    stream.getTracks().forEach((track) => track.stop());
    pieces.disconnect();
    socket.close();
    return context.close();
  };
  return true;
}

export async function end() {
  const now = stop;
  stop = null;
  if (now) await now();
}
