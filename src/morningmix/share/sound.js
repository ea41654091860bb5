// The song's sound: pieces decoded while they play, every part through its own fader, then what all share.

const COUNT = Math.ceil(song.seconds / PIECE);
// A gain over time, sent as steps since the last point and gains: [step, gain, step, gain, ...].
const line = (flat) => {
  const at = [];
  const gains = [];
  for (let i = 0; i < flat.length; i += 2) {
    at.push((at.length ? at[at.length - 1] : 0) + flat[i] * song.step_s);
    gains.push(flat[i + 1]);
  }
  return { at, gains, steady: gains.every((each) => each === 1) };
};
const lines = { master: line(song.master), drums: line(song.drums) };

// What every part and their sum go through: one fader a part, pan, room, and the gain of the limiters.
function graphOf() {
  const gainOf = (value, channels) => {
    const node = context.createGain();
    node.gain.value = value;
    if (channels) {
      node.channelCount = channels;
      node.channelCountMode = "explicit";
    }
    return node;
  };
  const lowsInTheMiddle = (from) => {
    if (!song.mono_below_hz) return from;
    const apart = context.createChannelSplitter(2);
    const joined = context.createChannelMerger(2);
    from.connect(apart);
    const part = (value, of, into, to) => {
      const node = gainOf(value, 1);
      if (of === null) into.connect(node); else apart.connect(node, of);
      if (to === null) return node;
      node.connect(joined, 0, to);
      return node;
    };
    const sides = gainOf(1, 1);
    part(0.5, 0, null, null).connect(sides);
    part(-0.5, 1, null, null).connect(sides);
    // Fourth order, as in the mix: two sections, Q in decibels.
    let passed = sides;
    for (const q of [0.5412, 1.3066]) {
      const filter = context.createBiquadFilter();
      filter.type = "highpass";
      filter.frequency.value = (4 / 3) * song.mono_below_hz;
      filter.Q.value = 20 * Math.log10(q);
      passed = passed.connect(filter);
    }
    for (const side of [0, 1]) {
      part(0.5, 0, null, side);
      part(0.5, 1, null, side);
      part(side ? -1 : 1, null, passed, side);
    }
    return joined;
  };
  const out = gainOf(1);
  const master = gainOf(lines.master.steady ? 1 : 0);
  const drums = gainOf(lines.drums.steady ? 1 : 0);
  master.connect(out);
  drums.connect(master);
  const groups = new Map();
  const group = (isDrums) => {
    const name = isDrums && !lines.drums.steady;
    if (!groups.has(name)) {
      const entry = gainOf(1, 2);
      let made = null;
      // A room costs work even while it is silent.
      const room = () => {
        if (made) return made;
        made = context.createConvolver();
        made.normalize = false;
        made.buffer = roomBuffer;
        made.connect(entry);
        return made;
      };
      lowsInTheMiddle(entry).connect(name ? drums : master);
      groups.set(name, { entry, room });
    }
    return groups.get(name);
  };
  const buses = song.parts.map((part) => {
    const { entry, room } = group(part.family === "drums");
    const bus = gainOf(1, 2);
    const apart = context.createChannelSplitter(2);
    const placed = context.createChannelMerger(2);
    bus.connect(apart);
    [part.left, part.right].forEach((value, side) => {
      const to = gainOf(value, 1);
      apart.connect(to, side);
      to.connect(placed, 0, side);
    });
    placed.connect(entry);
    if (part.send && roomBuffer) {
      const send = gainOf(part.send, 1);
      placed.connect(send);
      send.connect(room());
    }
    return bus;
  });
  return { out, buses, lines: { master: master.gain, drums: drums.gain } };
}

// ---- pieces

let graph = null;
let roomBuffer = null;
const kept = new Map();

let waking = null;
function wake() {
  waking ||= (async () => {
    await openSound();
    if (song.room) {
      roomBuffer = await decode(song.room);
      const scale = song.room_gain * (song.rate_hz / roomBuffer.sampleRate);
      for (let channel = 0; channel < 2; channel += 1) {
        const samples = roomBuffer.getChannelData(channel);
        for (let i = 0; i < samples.length; i += 1) samples[i] *= scale;
      }
    }
    graph = graphOf();
    graph.out.gain.value = 0;
    graph.out.connect(context.destination);
    balance(0);
  })();
  return waking;
}

// A gain from a place in the song on, sample by sample.
function gainsFrom({ at, gains, steady }, from, frames, rate) {
  const samples = new Float32Array(frames);
  if (steady) return samples.fill(1);
  let next = at.findIndex((each) => each > from);
  if (next < 0) next = at.length;
  for (let i = 0; i < frames; i += 1) {
    const now = from + i / rate;
    while (next < at.length && at[next] <= now) next += 1;
    if (next === 0 || next === at.length) samples[i] = gains[Math.max(0, next - 1)];
    else {
      const share = (now - at[next - 1]) / (at[next] - at[next - 1]);
      samples[i] = gains[next - 1] * (1 - share) + gains[next] * share;
    }
  }
  return samples;
}

function gainPiece(gains, place) {
  if (gains.steady) return null;
  const rate = context.sampleRate;
  const frames = Math.round((PIECE + CROSS) * rate);
  const piece = context.createBuffer(1, frames, rate);
  const samples = gainsFrom(gains, place * PIECE, frames, rate);
  crossed(samples, place, COUNT, Math.round(CROSS * rate));
  piece.copyToChannel(samples, 0);
  return { buffer: piece, first: 0 };
}

function pieces(place) {
  if (!kept.has(place)) {
    kept.set(place, (async () => ({
      parts: await Promise.all(song.parts.map((part) => cut(part, place))),
      lines: { master: gainPiece(lines.master, place), drums: gainPiece(lines.drums, place) },
    }))());
  }
  return kept.get(place);
}

// Hands over a stretch of one place: where it begins in the place, and how long it is.
function hand(ready, when, offset, seconds, softStart, softEnd) {
  const begin = (piece, target) => {
    if (piece && target) handOver(piece, target, when, offset, seconds, { softStart, softEnd });
  };
  ready.parts.forEach((piece, at) => begin(piece, graph.buses[at]));
  for (const name of ["master", "drums"]) begin(ready.lines[name], graph.lines[name]);
}

// ---- playing

let turn = 0; // counts starts and stops, so that what was begun before one ends by itself
let playing = false;
let rest = 0; // where the song stands while nothing plays
let next = null; // what is handed over next: {at: the context's time, song: seconds}
let handed = []; // what was handed over: {at, until, song}
const stretch = { from: null, to: null, repeat: false };

const marked = () => stretch.from !== null && stretch.to !== null;
const repeats = () => stretch.repeat && marked();

let pumping = false;
async function pump() {
  if (pumping || !playing || !next) return;
  pumping = true;
  const mine = turn;
  while (mine === turn && next.at < context.currentTime + AHEAD && next.song < song.seconds - 1e-6) {
    const place = Math.floor(next.song / PIECE + 1e-9);
    const ready = await pieces(place);
    if (mine !== turn) break;
    next.at = Math.max(next.at, context.currentTime + 0.02);
    const turns = repeats() && next.song < stretch.to;
    const end = Math.min((place + 1) * PIECE, song.seconds, turns ? stretch.to : Infinity);
    const whole = end === (place + 1) * PIECE;
    const seconds = end - next.song;
    hand(ready, next.at, next.song - place * PIECE, seconds + (whole ? CROSS : 0),
      next.song !== place * PIECE, !whole);
    clickAlong(next.song, end, next.at);
    handed.push({ at: next.at, until: next.at + seconds, song: next.song });
    const again = turns && end === stretch.to;
    next = { at: next.at + seconds, song: again ? stretch.from : end };
    if (again) next.at = countIn(next.at, next.song);
  }
  pumping = false;
  if (mine !== turn) { pump(); return; }
  const now = Math.floor(where() / PIECE);
  const wanted = new Set([now, now + 1, Math.floor(next.song / PIECE), repeats() ? Math.floor(stretch.from / PIECE) : now]);
  for (const place of kept.keys()) if (!wanted.has(place)) kept.delete(place);
  handed = handed.filter((part) => part.until > context.currentTime - 1);
}

function where() {
  if (slowly.on) return slowly.where();
  if (!playing || !next) return rest;
  const now = context.currentTime;
  let found = null;
  for (const part of handed) if (part.at <= now) found = part;
  return found ? Math.min(found.song + Math.min(now, found.until) - found.at, song.seconds) : rest;
}

function silence() {
  turn += 1;
  for (const { source, edge } of sources) {
    edge.gain.cancelScheduledValues(context.currentTime);
    edge.gain.setTargetAtTime(0, context.currentTime, 0.003);
    source.stop(context.currentTime + 0.02);
  }
  handed = [];
}

async function play() {
  if (rest >= song.seconds - 0.05) rest = 0;
  playing = true;
  next = null;
  turn += 1;
  const mine = turn;
  byId("play").textContent = "Pause";
  await wake();
  const silent = setTimeout(() => tell("This browser has no sound yet. Check that nothing else holds it, or use another."), 4000);
  await context.resume();
  clearTimeout(silent);
  if (mine !== turn) return;
  if (slowly.wanted()) {
    await slowly.play(() => mine === turn);
    return;
  }
  await pieces(Math.floor(rest / PIECE));
  if (mine !== turn) return;
  const first = Math.ceil((context.currentTime + 0.1) * context.sampleRate) / context.sampleRate;
  next = { at: countIn(first, rest), song: rest };
  // Never with a jump, and never louder than the listener has chosen.
  graph.out.gain.cancelScheduledValues(0);
  graph.out.gain.setValueAtTime(0, context.currentTime);
  graph.out.gain.linearRampToValueAtTime(volume(), next.at > first ? first : first + 0.3);
  balance(0);
  pump();
  follow();
}

function stop(at) {
  if (slowly.on) slowly.stop(); else if (context) silence();
  playing = false;
  rest = at;
  byId("play").textContent = "Play";
  show();
}

const pause = () => stop(where());

function go(seconds) {
  const to = Math.min(Math.max(seconds, 0), song.seconds);
  const was = playing;
  if (was) stop(to);
  rest = to;
  if (was) play(); else show();
}

// Plays on with what has changed, from where it is.
const again = () => { if (playing) go(where()); };

setInterval(() => {
  if (!playing || slowly.on || !next) return;
  pump();
  if (asked.stretches.length) balance();
  if (where() >= song.seconds - 0.02) stop(song.seconds);
}, 100);
