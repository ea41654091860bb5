// Sound in pieces: decoded when they are due, put back where they were before they were coded, and cross-faded.

const PIECE = song.piece_s;
const CROSS = 0.02; // seconds in which one piece fades into the next
const EDGE = 0.005; // fade where sound begins or ends in the middle of a piece
const AHEAD = 2.5; // seconds of sound that are handed over before they are due
const QUIET = -12;
const WEIGHT = 16; // bytes a sample, four times what it takes

const gain = (db) => Math.pow(10, db / 20);

let context = null;
const shifts = {}; // how far this browser's decoder moves sound, seconds, by sample rate

const bytesOf = (text) => Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0)).buffer;

async function decode(text) {
  const buffer = await context.decodeAudioData(bytesOf(text)).catch((error) => {
    tell("This browser cannot play what is in this page. Try another browser, or ask for the page again.");
    throw error;
  });
  // Chromium does not count decoded sound when it decides how soon to free what is no longer used (measured: 400 MB of
  // it stay). This counts in its place, and takes no memory because nothing is written into it.
  new ArrayBuffer(WEIGHT * buffer.numberOfChannels * buffer.length);
  return buffer;
}

async function measureShift(rate) {
  const click = await decode(song.clicks[rate]);
  const samples = click.getChannelData(0);
  let at = 0;
  for (let i = 0; i < samples.length; i += 1) if (Math.abs(samples[i]) > Math.abs(samples[at])) at = i;
  shifts[rate] = at / click.sampleRate - song.click_at_s;
}

function openSound() {
  try {
    context = new AudioContext({ sampleRate: song.rate_hz });
  } catch {
    context = new AudioContext(); // decoding converts to whatever rate that is
  }
  return Promise.all(Object.keys(song.clicks).map(measureShift));
}

const sources = new Set();
const remember = (source, edge) => {
  const one = { source, edge };
  sources.add(one);
  source.onended = () => { sources.delete(one); edge.disconnect(); };
};

// Hands over a stretch of a decoded piece: when it is due, where it begins in the piece, and how long it is.
function handOver(piece, target, when, offset, seconds, { softStart, softEnd }) {
  const { buffer, first } = piece;
  const source = context.createBufferSource();
  const edge = context.createGain();
  source.buffer = buffer;
  source.connect(edge).connect(target);
  if (softStart) {
    edge.gain.setValueAtTime(0, when);
    edge.gain.linearRampToValueAtTime(1, when + EDGE);
  }
  if (softEnd) {
    edge.gain.setValueAtTime(1, Math.max(when + EDGE, when + seconds - EDGE));
    edge.gain.linearRampToValueAtTime(0, when + seconds);
  }
  source.start(when, first / buffer.sampleRate + offset, seconds);
  remember(source, edge);
}

let frame = 0;
function follow() {
  cancelAnimationFrame(frame); // one for all: a jump starts without waiting for the last to end
  if (!playing) return;
  show();
  frame = requestAnimationFrame(follow);
}

// Ends of a piece fade over those of its neighbours.
function crossed(samples, place, count, fade) {
  for (let i = 0; i < fade; i += 1) {
    const share = (i + 0.5) / fade;
    if (place > 0) samples[i] *= share;
    if (place < count - 1) samples[samples.length - fade + i] *= 1 - share;
  }
}

// A part in one piece, as it was decoded, and the frame at which the piece begins in it.
async function cut(part, place) {
  if (!part.pieces[place]) return null;
  const buffer = await decode(part.pieces[place]);
  const rate = buffer.sampleRate;
  const first = Math.round((shifts[part.hz] + song.margin_s) * rate);
  const frames = Math.round((PIECE + CROSS) * rate);
  for (let channel = 0; channel < buffer.numberOfChannels; channel += 1) {
    const samples = buffer.getChannelData(channel).subarray(first, first + frames);
    crossed(samples, place, part.pieces.length, Math.round(CROSS * rate));
  }
  return { buffer, first };
}
