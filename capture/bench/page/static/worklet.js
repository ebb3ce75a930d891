// Gathers microphone samples into pieces of a tenth of a second, as 16-bit integers.

class Pieces extends AudioWorkletProcessor {
  constructor() {
    super();
    this.piece = new Int16Array(Math.round(sampleRate / 10));
    this.count = 0;
  }

  process(inputs) {
    const channel = inputs[0][0];
    for (let at = 0; channel && at < channel.length; at++) {
      this.piece[this.count++] = Math.max(-1, Math.min(1, channel[at])) * 32767;
      if (this.count === this.piece.length) {
        this.port.postMessage(this.piece.slice());
        this.count = 0;
      }
    }
    return true;
  }
}

registerProcessor("pieces", Pieces);
