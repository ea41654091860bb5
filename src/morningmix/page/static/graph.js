// What plays a song live: every input through the numbers of its plan, and beside it what it is compared with.
//
// All lanes of a song share one clock, so they stay in step; a turn is a change of a node's value.

const TURN_S = 0.008; // time constant of a turn: heard within 25 ms, and no click
const fromDb = (db) => 10 ** (db / 20);
const LOUDER = fromDb(12); // pieces come 12 dB softer, so that nothing in them is clipped

const rooms = new Map(); // impulse responses by address

async function roomOf(address) {
  if (!rooms.has(address)) {
    const answer = await fetch(address);
    if (!answer.ok) throw new Error((await answer.json()).problem);
    rooms.set(address, new Float32Array(await answer.arrayBuffer()));
  }
  return rooms.get(address);
}

function ease(param, value, context) {
  param.cancelScheduledValues(context.currentTime);
  param.setTargetAtTime(value, context.currentTime, TURN_S);
}

function filtered(node, filters, context) {
  return filters.reduce((before, [forward, back]) => before.connect(context.createIIRFilter(forward, back)), node);
}

// Left and right as middle and sides, and back, with filters on the sides.
function lowsInTheMiddle(node, filters, context) {
  if (!filters.length) return node;
  const apart = context.createChannelSplitter(2);
  const together = context.createChannelMerger(2);
  const gain = (value, from, output = 0) => {
    const one = context.createGain();
    one.gain.value = value;
    from.connect(one, output);
    return one;
  };
  const sides = context.createGain();
  node.connect(apart);
  gain(0.5, apart, 0).connect(sides);
  gain(-0.5, apart, 1).connect(sides);
  const passed = filtered(sides, filters, context);
  for (const side of [0, 1]) {
    gain(0.5, apart, 0).connect(together, 0, side);
    gain(0.5, apart, 1).connect(together, 0, side);
    gain(side ? -1 : 1, passed).connect(together, 0, side);
  }
  return together;
}

export class Graph {
  static async of(song) {
    const answer = await fetch(`/live/${song}`);
    const numbers = await answer.json();
    if (!answer.ok) throw new Error(numbers.problem);
    return new Graph(song, numbers, numbers.room ? await roomOf(`/live/${song}/room`) : null);
  }

  constructor(song, numbers, room) {
    Object.assign(this, { song, numbers, room });
    this.strips = new Map(); // by track
    this.turned = new Map(); // by what is turned right now: { isMeant, part, db }
    this.settled = []; // what was turned and is written down, but not yet in the numbers
    this.heard = "now";
    this.only = new Set();
    this.without = new Set();
    this.at = 0;
  }

  get lanes() {
    const { song, numbers } = this;
    const compared = (kind) => ({
      url: (piece) => `/live/${song}/${kind}/${piece}`,
      into: (context, out) => this.comparedWith(kind, context, out),
    });
    return [
      ...numbers.tracks.map((track) => ({
        url: (piece) => `/live/${song}/track/${track.track}/${piece}`,
        into: (context, out) => this.strip(track, context, out),
      })),
      compared("recorded"),
      ...(numbers.before ? [compared("before")] : []),
    ];
  }

  bus(context, out) {
    if (this.context === context && this.sum) return;
    this.context = context;
    this.outs = new Map();
    this.sum = context.createGain();
    this.sum.channelCount = 2;
    this.sum.channelCountMode = "explicit";
    const tail = filtered(lowsInTheMiddle(this.sum, this.numbers.sides, context), this.numbers.tilt, context);
    this.end("now", tail, 1, context, out);
    if (this.room) {
      const frames = this.room.length / 2;
      const response = context.createBuffer(2, frames, context.sampleRate);
      response.copyToChannel(this.room.subarray(0, frames), 0);
      response.copyToChannel(this.room.subarray(frames), 1);
      this.send = context.createConvolver();
      this.send.normalize = false;
      this.send.channelCount = 1;
      this.send.channelCountMode = "explicit";
      this.send.buffer = response;
      this.send.connect(this.sum);
    }
  }

  strip(track, context, out) {
    this.bus(context, out);
    const shelf = (type, frequency) => Object.assign(context.createBiquadFilter(), { type });
    const low = shelf("lowshelf");
    const high = shelf("highshelf");
    low.frequency.value = 200;
    high.frequency.value = 4000;
    const level = context.createGain();
    const heard = context.createGain();
    const sides = context.createChannelSplitter(2);
    const pair = context.createChannelMerger(2);
    // A mono input feeds both sides.
    level.channelCount = 2;
    level.channelCountMode = "explicit";
    const pans = [track.left, track.right].map((value, side) => {
      const pan = context.createGain();
      pan.gain.value = value;
      sides.connect(pan, side);
      pan.connect(pair, 0, side);
      return pan;
    });
    low.connect(high).connect(level).connect(heard).connect(sides);
    pair.connect(this.sum);
    const send = context.createGain();
    send.gain.value = this.send ? track.send : 0;
    if (this.send) pair.connect(send).connect(this.send);
    const strip = { low, high, level, heard, pans, send };
    this.strips.set(track.track, strip);
    this.set(track, (param, value) => { param.value = value; });
    return low;
  }

  comparedWith(kind, context, out) {
    this.bus(context, out);
    const begin = context.createGain();
    this.end(kind, begin, LOUDER, context, out);
    return begin;
  }

  // Everything that is compared is softer by the same, so that it stays equally loud and no peak is clipped.
  end(kind, from, gain, context, out) {
    const end = context.createGain();
    const level = gain * fromDb(-this.numbers.softer_db);
    end.gain.value = this.heard === kind ? level : 0;
    from.connect(end).connect(out);
    this.outs.set(kind, [end, level]);
  }

  set(track, put) {
    const strip = this.strips.get(track.track);
    if (!strip) return;
    const turned = [...this.settled, ...this.turned.values()].filter(({ isMeant }) => isMeant(track));
    const [level, low, high] = ["level", "low", "high"]
      .map((part) => turned.reduce((sum, one) => sum + (one.part === part ? one.db : 0), 0));
    put(strip.level.gain, track.gain * fromDb(level + this.moved(track)));
    put(strip.low.gain, track.low_db + low);
    put(strip.high.gain, track.high_db + high);
    const silent = this.without.has(track.name) || (this.only.size && !this.only.has(track.name));
    put(strip.heard.gain, silent ? 0 : 1);
  }

  // Level of the input's own in the part that plays, with ramps outside it.
  moved(track) {
    return track.moves.reduce((sum, [from, to, db, ramp]) => {
      const outside = Math.max(from - this.at, this.at - to, 0);
      return sum + db * Math.max(0, 1 - outside / ramp);
    }, 0);
  }

  setAll() {
    if (!this.sum) return;
    for (const track of this.numbers.tracks) this.set(track, (param, value) => ease(param, value, this.context));
  }

  // Turns an input or a family by so much more than is written down; heard at once. `what` tells one slider from another.
  turn(what, isMeant, part, db) {
    this.turned.set(what, { isMeant, part, db });
    if (!this.sum) return;
    for (const track of this.numbers.tracks.filter(isMeant)) {
      this.set(track, (param, value) => ease(param, value, this.context));
    }
  }

  // So much of what a slider has turned is written down now, or it is not. What was turned meanwhile goes on from there.
  settle(what, db, isWritten) {
    const turned = this.turned.get(what);
    if (!turned) return;
    const rest = isWritten ? turned.db - db : 0;
    if (isWritten) this.settled.push({ ...turned, db });
    if (rest) this.turned.set(what, { ...turned, db: rest });
    else this.turned.delete(what);
    this.setAll();
  }

  // A level in one part, instead of the one it has there.
  turnPart(isMeant, [from, to], db) {
    for (const track of this.numbers.tracks.filter(isMeant)) {
      const others = track.moves.filter((move) => Math.abs(move[0] - from) > 0.06 || Math.abs(move[1] - to) > 0.06);
      track.moves = db ? [...others, [from, to, db, 0.3]] : others;
    }
    this.setAll();
  }

  playsAt(seconds) {
    const was = this.at;
    this.at = seconds;
    if (!this.sum) return;
    for (const track of this.numbers.tracks) {
      const near = track.moves.some(([from, to, , ramp]) => Math.max(was, seconds) > from - ramp && Math.min(was, seconds) < to + ramp);
      if (near) this.set(track, (param, value) => ease(param, value, this.context));
    }
  }

  hear(kind) {
    this.heard = kind;
    if (!this.outs) return;
    for (const [name, [end, gain]] of this.outs) ease(end.gain, name === kind ? gain : 0, this.context);
  }

  // Other numbers for the same song, as after a turn is written down.
  async renew() {
    const newer = await Graph.of(this.song);
    const lanes = ({ numbers }) => JSON.stringify([numbers.mix, numbers.room, numbers.tilt, numbers.sides, numbers.tracks.map(({ track }) => track)]);
    if (lanes(newer) !== lanes(this)) return false;
    this.numbers = newer.numbers;
    this.settled = [];
    this.setAll();
    for (const track of this.numbers.tracks) {
      const strip = this.strips.get(track.track);
      if (!strip) continue;
      ease(strip.send.gain, this.send ? track.send : 0, this.context);
      strip.pans.forEach((pan, side) => ease(pan.gain, [track.left, track.right][side], this.context));
    }
    return true;
  }

  // Every start builds its nodes anew.
  forget() {
    for (const [end] of this.outs?.values() || []) setTimeout(() => end.disconnect(), 50);
    this.strips.clear();
    this.sum = this.send = this.outs = null;
  }
}
