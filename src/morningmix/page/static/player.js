// Plays pieces of sound one after the other without a gap: one or several lanes, in step to the sample.
//
// A lane is { url: (piece) => address, gain, pan }, or has instead of these two into(context, out), which returns the
// node that it plays into. Only the pieces around the place that plays are kept.

import { tell } from "./asking.js";

const PIECE_S = Number(document.body.dataset.pieceS);
const RATE_HZ = Number(document.body.dataset.rateHz);
const AHEAD_S = 2.5; // sound that is handed over before it is due
const SOON_S = 0.05;
const EDGE_S = 0.005; // fade where sound begins or ends in the middle
const fromDb = (db) => 10 ** (db / 20);

let context = null;
let out = null;
let volumeDb = -6;
let current = null;

function wake() {
  if (!context) {
    try {
      context = new AudioContext({ sampleRate: RATE_HZ, latencyHint: "interactive" });
    } catch {
      context = new AudioContext({ latencyHint: "interactive" });
    }
    out = context.createGain();
    out.gain.value = fromDb(volumeDb);
    out.connect(context.destination);
  }
  return context.resume();
}

const latency = () => context.outputLatency || context.baseLatency || 0;

export function volume(db) {
  volumeDb = db;
  if (context) out.gain.setTargetAtTime(fromDb(db), context.currentTime, 0.02);
}

class Playing {
  constructor({ owner, lanes, from, until, ended, now }) {
    Object.assign(this, { owner, lanes, from, until, ended, now });
    this.kept = new Map();
    this.parts = [];
    this.sources = new Set();
    this.next = null;
    this.over = false;
  }

  async begin() {
    await wake();
    this.gains = this.lanes.map(({ gain = 1, pan = 0, into }) => {
      if (into) return into(context, out);
      const level = context.createGain();
      const place = context.createStereoPanner();
      level.gain.value = gain;
      place.pan.value = pan;
      level.connect(place).connect(out);
      return level;
    });
    await this.pieces(Math.floor(this.from / PIECE_S + 1e-9));
    if (this.over) return;
    this.next = { at: context.currentTime + SOON_S, seconds: this.from };
    if (this.now) {
      const seconds = this.now() + SOON_S + latency();
      this.from = Math.max(0, seconds);
      this.next = { at: this.next.at + this.from - seconds, seconds: this.from };
    }
    this.timer = setInterval(() => this.pump(), 100);
    await this.pump();
  }

  pieces(number) {
    if (!this.kept.has(number)) {
      this.kept.set(number, Promise.all(this.lanes.map(async (lane) => {
        const answer = await fetch(lane.url(number));
        if (!answer.ok) throw new Error((await answer.json().catch(() => ({}))).problem || "This cannot be played.");
        return context.decodeAudioData(await answer.arrayBuffer());
      })));
    }
    return this.kept.get(number);
  }

  async pump() {
    if (this.pumping || this.over) return;
    this.pumping = true;
    try {
      while (!this.over && this.next.at < context.currentTime + AHEAD_S && this.next.seconds < this.until - 1e-6) {
        const number = Math.floor(this.next.seconds / PIECE_S + 1e-9);
        const ready = await this.pieces(number);
        if (this.over) break;
        const end = Math.min((number + 1) * PIECE_S, this.until);
        const seconds = end - this.next.seconds;
        const made = ready.map((buffer, lane) => this.made(buffer, this.gains[lane]));
        // Only now, and all at once: lanes stay in step however long it took to make them.
        this.next.at = Math.max(this.next.at, context.currentTime + 0.02);
        for (const one of made) this.start(one, number, seconds, end);
        this.parts.push({ at: this.next.at, seconds: this.next.seconds });
        this.next = { at: this.next.at + seconds, seconds: end };
        if (end < this.until - 1e-6) this.pieces(number + 1).catch(() => {});
      }
      const now = Math.floor(this.where() / PIECE_S);
      for (const number of this.kept.keys()) if (number < now || number > now + 2) this.kept.delete(number);
      if (this.next.seconds >= this.until - 1e-6 && context.currentTime > this.next.at + 0.05) stop();
    } catch (error) {
      tell(error.message, true);
      stop();
    } finally {
      this.pumping = false;
    }
  }

  made(buffer, bus) {
    const source = context.createBufferSource();
    const edge = context.createGain();
    source.buffer = buffer;
    source.connect(edge).connect(bus);
    return { source, edge };
  }

  start({ source, edge }, number, seconds, end) {
    const { at } = this.next;
    source.start(at, this.next.seconds - number * PIECE_S, seconds);
    if (this.next.seconds === this.from) {
      edge.gain.setValueAtTime(0, at);
      edge.gain.linearRampToValueAtTime(1, at + EDGE_S);
    }
    if (end >= this.until - 1e-6) {
      edge.gain.setValueAtTime(1, Math.max(at + EDGE_S, at + seconds - EDGE_S));
      edge.gain.linearRampToValueAtTime(0, at + seconds);
    }
    const one = { source, edge };
    this.sources.add(one);
    source.onended = () => { this.sources.delete(one); edge.disconnect(); };
  }

  where(at = context?.currentTime) {
    let found = null;
    for (const part of this.parts) if (part.at <= at) found = part;
    return found ? Math.min(found.seconds + at - found.at, this.until) : this.from;
  }

  // What comes out of the loudspeaker now; null until it begins.
  heard() {
    if (!this.parts.length) return null;
    const at = context.currentTime - latency();
    return this.parts[0].at <= at ? this.where(at) : null;
  }

  finish() {
    this.over = true;
    clearInterval(this.timer);
    for (const { source, edge } of this.sources) {
      edge.gain.cancelScheduledValues(context.currentTime);
      edge.gain.setTargetAtTime(0, context.currentTime, 0.003);
      source.stop(context.currentTime + 0.02);
    }
    this.kept.clear();
    this.ended?.();
  }
}

const watchers = new Set();

// Calls back with what plays, now and at every frame while it does; with null when it ends.
export function watch(callback) {
  watchers.add(callback);
}

function showAll() {
  for (const callback of watchers) callback(current);
}

let following = false;

function follow() {
  if (following) return;
  following = true;
  const draw = () => {
    following = Boolean(current);
    if (!following) return;
    showAll();
    requestAnimationFrame(draw);
  };
  draw();
}

// Plays lanes from a time until another; whatever played before stops. `owner` tells whose sound it is. Where it follows
// something else, now() says where that is, and it begins there.
export async function play({ owner, lanes, from, until, ended, now }) {
  stop();
  const mine = new Playing({ owner, lanes, from, until, ended, now });
  current = mine;
  showAll();
  try {
    await mine.begin();
    if (current === mine) follow();
  } catch (error) {
    if (current === mine) stop();
    tell(error.message, true);
  }
  return mine;
}

// Lets something else play, which has an owner, says where() it is, and can finish(); what plays now stops.
export function hand(other) {
  if (current === other) return;
  stop();
  current = other;
  follow();
}

export function stop() {
  const was = current;
  current = null;
  was?.finish();
  showAll();
}

export const playing = () => current;
