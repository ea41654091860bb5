// Slower at the same pitch: what is heard becomes a sound file. Once somebody has said who they are, everybody else and the
// click are on its left and they are on its right, both in mono; until then it is in stereo.

const HEAD = -3; // room for what left and right add up to
const LEVEL_S = 0.02; // how often it is asked how loud a part is

const slowly = {
  on: false,
  made: null, // {key, url, from, to, lasts, inStereo}
  audio: null,
  levels: null, // of the file's two sides
  joined: null,

  wanted() { return speed() < 1; },

  span() { return repeats() ? [stretch.from, stretch.to] : [0, song.seconds]; },

  key() {
    return JSON.stringify([this.span(), mine.me, mine.click, mine.count, mine.beats, [...muted], [...alone], asked.faders, asked.stretches]);
  },

  where() {
    const { from, to, lasts } = this.made;
    return Math.min(Math.max(from + this.audio.currentTime - lasts, from), to);
  },

  async play(current) {
    const key = this.key();
    if (!this.made || this.made.key !== key) {
      const [from, to] = this.span();
      const made = await this.make(from, to, current);
      if (!made) return;
      this.made = { ...made, key };
      this.audio.src = made.url;
      tell("");
    }
    const { from, to, lasts, inStereo } = this.made;
    this.levels.forEach((level, side) => {
      level.disconnect();
      for (const to of inStereo ? [side] : [0, 1]) level.connect(this.joined, 0, to);
    });
    this.audio.loop = repeats();
    this.audio.preservesPitch = this.audio.mozPreservesPitch = this.audio.webkitPreservesPitch = true;
    this.audio.playbackRate = this.audio.defaultPlaybackRate = speed();
    // From a loop's beginning, or the song's, it counts in.
    this.audio.currentTime = rest > from + 0.05 && rest < to ? lasts + rest - from : 0;
    this.balance();
    this.on = true;
    try {
      await this.audio.play();
    } catch {
      if (!current()) return;
      stop(rest);
      tell("It is ready now: tap Play.");
      return;
    }
    follow();
  },

  stop() {
    this.on = false;
    this.audio.pause();
  },

  balance() {
    if (!this.levels) return;
    const at = context.currentTime;
    this.levels[0].gain.setTargetAtTime(volume(), at, 0.015);
    this.levels[1].gain.setTargetAtTime(volume() * (mine.me === "" ? 1 : meGain()), at, 0.015);
  },

  // Mixes a stretch ten seconds at a time, one part after the other: little is in memory at once.
  async make(from, to, current) {
    if (!this.audio) {
      this.audio = new Audio();
      this.audio.addEventListener("ended", () => stop(this.made.to));
      const apart = context.createChannelSplitter(2);
      context.createMediaElementSource(this.audio).connect(apart);
      this.levels = [0, 1].map((side) => {
        const level = context.createGain();
        level.gain.value = 0;
        apart.connect(level, side);
        return level;
      });
      this.joined = context.createChannelMerger(2);
      this.joined.connect(context.destination);
    }
    if (this.made) URL.revokeObjectURL(this.made.url);
    this.made = null;
    kept.clear();
    const rate = context.sampleRate;
    const inStereo = mine.me === "";
    const clicked = inStereo ? [0, 1] : [0];
    const { lasts, clicks } = counted(from);
    const lead = Math.round(lasts * rate);
    // Handed over piece by piece: the browser need not keep them in memory.
    const written = [];
    if (lead) {
      const counting = [new Float32Array(lead), new Float32Array(lead)];
      for (const side of clicked) {
        clicks.forEach((at, number) => addClick(counting[side], Math.round(at * rate), clickOf(rate, number === 0)));
      }
      written.push(coded(counting, 0, lead));
    }
    const click = clickOf(rate, false);
    const sums = sumsFor(rate, inStereo);
    const out = [0, 1].map(() => new Float32Array(sums.piece));
    const places = [];
    for (let place = Math.floor(from / PIECE); place * PIECE < to - 1e-6; place += 1) places.push(place);
    // One is decoded while the one before is mixed.
    const order = places.flatMap((place) => song.parts.map((part) => [part, place]));
    const decodeNext = () => (order.length ? cut(...order.shift()) : null);
    let coming = decodeNext();
    for (const place of places) {
      tell(`Getting it ready to play slowly: ${Math.max(0, Math.round((100 * (place * PIECE - from)) / (to - from)))} %`);
      const first = Math.max(0, Math.round((from - place * PIECE) * rate));
      const last = Math.min(sums.piece, Math.round((to - place * PIECE) * rate));
      for (const part of song.parts) {
        const piece = await coming;
        if (!current()) return null;
        coming = decodeNext();
        if (piece) addPart(sums, part, piece, place, first);
      }
      await addRooms(sums);
      if (!current()) return null;
      limited(sums, place, out);
      if (mine.click) {
        for (const beat of beats) {
          if (beat < from - 1e-6 || beat >= to) continue;
          for (const side of clicked) addClick(out[side], Math.round((beat - place * PIECE) * rate), click);
        }
      }
      if (place * PIECE <= from) soft(out, first, 1, rate);
      if ((place + 1) * PIECE >= to) soft(out, last - 1, -1, rate);
      written.push(coded(out, first, last));
    }
    const file = new Blob([header(rate, written), ...written], { type: "audio/wav" });
    return { url: URL.createObjectURL(file), from, to, lasts: lead / rate, inStereo };
  },
};

// What is summed of a place and rings on into the next, by limiter (of all, of the drums) and side.
function sumsFor(rate, inStereo) {
  const piece = Math.round(PIECE * rate);
  const frames = Math.round((PIECE + CROSS) * rate);
  const long = frames + (roomBuffer ? roomBuffer.length : 0);
  const group = () => ({
    dry: [0, 1].map(() => new Float32Array(long)),
    sent: context.createBuffer(2, frames, rate),
    isSent: false,
  });
  return { rate, piece, frames, long, inStereo, room: inStereo ? roomBuffer : monoRoom(), groups: [group(), group()] };
}

function monoRoom() {
  if (!roomBuffer) return null;
  const room = context.createBuffer(2, roomBuffer.length, roomBuffer.sampleRate);
  const [left, right] = [0, 1].map((side) => roomBuffer.getChannelData(side));
  for (const side of [0, 1]) room.copyToChannel(left.map((value, i) => 0.5 * (value + right[i])), side);
  return room;
}

// Adds a part in one place, from a frame on, as loud as it is wished for there.
function addPart(sums, part, piece, place, first) {
  const samples = (channel) => piece.buffer.getChannelData(channel).subarray(piece.first, piece.first + sums.frames);
  const [left, right] = [samples(0), samples(piece.buffer.numberOfChannels - 1)];
  const group = sums.groups[Number(part.family === "drums")];
  if (roomBuffer && part.send) group.isSent = true;
  const [l, r] = [part.left, part.right];
  const add = (side, ofLeft, ofRight) => addTo(sums, group, side, { part, left, right, ofLeft, ofRight, place, first });
  if (sums.inStereo) {
    add(0, l, 0);
    add(1, 0, r);
  } else add(Number(isMe(part)), l / 2, r / 2);
}

function addTo({ rate }, group, side, { part, left, right, ofLeft, ofRight, place, first }) {
  const dry = group.dry[side];
  const sent = group.isSent && part.send ? group.sent.getChannelData(side) : null;
  const [l, r] = [(part.send * part.left) / 2, (part.send * part.right) / 2];
  const step = Math.round(LEVEL_S * rate);
  let was = level(part.name, place * PIECE + first / rate, true);
  for (let start = first; start < left.length; start += step) {
    const now = level(part.name, place * PIECE + start / rate, true);
    const end = Math.min(start + step, left.length);
    for (let i = start; i < end; i += 1) {
      const loud = was + ((now - was) * (i - start)) / step;
      dry[i] += loud * (ofLeft * left[i] + ofRight * right[i]);
      if (sent) sent[i] += loud * (l * left[i] + r * right[i]);
    }
    was = now;
  }
}

// Adds what was sent to the rooms.
async function addRooms({ rate, long, room, groups }) {
  for (const group of groups) {
    if (!group.isSent) continue;
    const offline = new OfflineAudioContext(2, long, rate);
    const source = offline.createBufferSource();
    const convolver = offline.createConvolver();
    convolver.normalize = false;
    convolver.buffer = room;
    source.buffer = group.sent;
    source.connect(convolver).connect(offline.destination);
    source.start();
    const rung = await offline.startRendering();
    for (const side of [0, 1]) {
      const samples = rung.getChannelData(side);
      const dry = group.dry[side];
      for (let i = 0; i < long; i += 1) dry[i] += samples[i];
      group.sent.getChannelData(side).fill(0);
    }
    group.isSent = false;
  }
}

// A place through the limiters; what rings on moves to where the next begins.
function limited({ rate, piece, groups }, place, out) {
  const master = gainsFrom(lines.master, place * PIECE, piece, rate);
  const drums = gainsFrom(lines.drums, place * PIECE, piece, rate);
  for (const side of [0, 1]) {
    const [others, kit] = groups.map((group) => group.dry[side]);
    for (let i = 0; i < piece; i += 1) out[side][i] = master[i] * (others[i] + drums[i] * kit[i]);
    for (const sum of [others, kit]) {
      sum.copyWithin(0, piece);
      sum.fill(0, sum.length - piece);
    }
  }
}

function addClick(samples, at, click) {
  for (let i = Math.max(0, -at); i < click.length && at + i < samples.length; i += 1) samples[at + i] += click[i];
}

function soft(out, from, way, rate) {
  const frames = Math.round(EDGE * rate);
  for (const samples of out) for (let i = 0; i < frames; i += 1) samples[from + way * i] *= i / frames;
}

// As 16 bits, both sides in turn.
function coded(sides, first, last) {
  const file = new Int16Array(2 * (last - first));
  const loud = 32767 * gain(HEAD);
  for (const side of [0, 1]) {
    const samples = sides[side];
    for (let i = first; i < last; i += 1) file[2 * (i - first) + side] = Math.max(-32767, Math.min(32767, loud * samples[i]));
  }
  return new Blob([file]);
}

// Of a WAV file (16 bits, two channels, little-endian, as every phone and computer of today writes numbers).
function header(rate, written) {
  const bytes = written.reduce((sum, each) => sum + each.size, 0);
  const file = new DataView(new ArrayBuffer(44));
  const words = (at, text) => [...text].forEach((sign, i) => file.setUint8(at + i, sign.charCodeAt(0)));
  words(0, "RIFF");
  file.setUint32(4, 36 + bytes, true);
  words(8, "WAVEfmt ");
  file.setUint32(16, 16, true);
  file.setUint16(20, 1, true);
  file.setUint16(22, 2, true);
  file.setUint32(24, rate, true);
  file.setUint32(28, 4 * rate, true);
  file.setUint16(32, 4, true);
  file.setUint16(34, 16, true);
  words(36, "data");
  file.setUint32(40, bytes, true);
  return file.buffer;
}
