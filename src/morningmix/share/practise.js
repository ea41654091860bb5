// Practising: me up or out, slower at the same pitch, a loop of bars, a click with a count-in.

const beats = song.beats;
const mine = asked.practice;
const mePeople = [...byId("me").options].slice(1).map((option) => option.value);
if (!mePeople.includes(mine.me)) mine.me = "";
const isMe = (part) => mine.me !== "" && (part.player || part.name) === mine.me;
const OUT = -24; // where the slider for me stands when I am out
const meGain = () => (mine.level <= OUT ? 0 : gain(mine.level));
const practising = () => mine.open;
const speed = () => (practising() ? mine.speed / 100 : 1);

const CLICK_S = 0.04;
const CLICK_HZ = [1200, 1800];
const beatNear = (seconds) => {
  let best = 0;
  beats.forEach((beat, at) => { if (Math.abs(beat - seconds) < Math.abs(beats[best] - seconds)) best = at; });
  return best;
};
const periodAt = (seconds) => {
  const first = Math.max(0, Math.min(beatNear(seconds), beats.length - 5));
  const last = Math.min(beats.length - 1, first + 4);
  return last > first ? (beats[last] - beats[first]) / (last - first) : 0.5;
};

// One click in a context; it goes past all faders.
function clickAt(into, to, when, accent, started) {
  const tone = into.createOscillator();
  const edge = into.createGain();
  tone.frequency.value = CLICK_HZ[accent ? 1 : 0];
  edge.gain.setValueAtTime(0, when);
  edge.gain.linearRampToValueAtTime(0.5, when + 0.002);
  edge.gain.setValueAtTime(0.5, when + CLICK_S - 0.01);
  edge.gain.linearRampToValueAtTime(0, when + CLICK_S);
  tone.connect(edge).connect(to);
  tone.start(when);
  tone.stop(when + CLICK_S);
  if (started) started(tone, edge);
}

function clickAlong(from, to, at) {
  if (!practising() || !mine.click) return;
  for (const beat of beats) if (beat >= from - 1e-6 && beat < to) clickAt(context, graph.out, at + beat - from, false, remember);
}

// Seconds of count-in before a place: a bar that ends on the next beat. Where its clicks lie, from its beginning.
function counted(seconds) {
  if (!practising() || !mine.count || beats.length < 2) return { lasts: 0, clicks: [] };
  const period = periodAt(seconds);
  const after = beats.find((beat) => beat >= seconds - 0.02);
  const early = after === undefined || after - seconds > period ? 0 : Math.max(0, after - seconds);
  const clicks = Array.from({ length: mine.beats }, (_, number) => number * period);
  return { lasts: mine.beats * period - early, clicks };
}

// Counts in before a place, and says when the place itself is due.
function countIn(when, seconds) {
  const { lasts, clicks } = counted(seconds);
  clicks.forEach((at, number) => clickAt(context, graph.out, when + at, number === 0, remember));
  return when + lasts;
}

// ---- slower: the stretch as a sound file in memory, left everybody else and the click, right me

const slowly = {
  on: false,
  made: null, // {key, url, from, to, lasts}
  audio: null,
  levels: null,

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
    const { from, to, lasts } = this.made;
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
    requestAnimationFrame(follow);
  },

  stop() {
    this.on = false;
    this.audio.pause();
  },

  balance() {
    if (!this.levels) return;
    const at = context.currentTime;
    this.levels[0].gain.setTargetAtTime(volume(), at, 0.015);
    this.levels[1].gain.setTargetAtTime(volume() * meGain(), at, 0.015);
  },

  // Renders a stretch, ten seconds at a time.
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
        level.connect(context.destination);
        return level;
      });
    }
    if (this.made) URL.revokeObjectURL(this.made.url);
    this.made = null;
    const rate = context.sampleRate;
    const { lasts, clicks } = counted(from);
    const lead = Math.round(lasts * rate);
    const room = roomBuffer ? roomBuffer.duration : 0;
    // Handed over piece by piece: the browser need not keep them in memory.
    const written = [];
    const write = (rendered, skip) => {
      const [left, right] = [rendered.getChannelData(0), rendered.getChannelData(1)];
      const file = new Int16Array(2 * (rendered.length - skip));
      for (let i = skip; i < rendered.length; i += 1) {
        file[2 * (i - skip)] = 32767 * Math.max(-1, Math.min(1, left[i] * gain(HEAD)));
        file[2 * (i - skip) + 1] = 32767 * Math.max(-1, Math.min(1, right[i] * gain(HEAD)));
      }
      written.push(new Blob([file]));
    };
    if (lead) {
      const offline = new OfflineAudioContext(2, lead, rate);
      const joined = offline.createChannelMerger(2);
      joined.connect(offline.destination);
      clicks.forEach((at, number) => clickAt(offline, into(offline, joined, 0), at, number === 0));
      write(await offline.startRendering(), 0);
    }
    for (let place = Math.floor(from / PIECE); place * PIECE < to - 1e-6; place += 1) {
      const begin = Math.max(from, place * PIECE);
      const end = Math.min(to, (place + 1) * PIECE);
      // What was played before still rings in the room.
      const early = Math.min(begin - from, PIECE, Math.ceil(room * 10) / 10);
      tell(`Getting it ready to play slowly: ${Math.round((100 * (begin - from)) / (to - from))} %`);
      const ready = await pieces(place);
      const before = early ? await pieces(place - 1) : null;
      if (!current()) return null;
      const skip = Math.round(early * rate);
      const offline = new OfflineAudioContext(2, skip + Math.round((end - begin) * rate), rate);
      const joined = offline.createChannelMerger(2);
      joined.connect(offline.destination);
      [(at) => !isMe(song.parts[at]), (at) => isMe(song.parts[at])].forEach((which, side) => {
        const whose = graphOf(offline, roomBuffer, which);
        whose.out.connect(into(offline, joined, side));
        whose.buses.forEach((bus, at) => { if (bus) bus.gain.value = level(song.parts[at].name, begin, true); });
        if (before) hand(whose, before, 0, PIECE - early, early + CROSS, false, false);
        hand(whose, ready, early, begin - place * PIECE, end - begin, begin === from, end === to);
      });
      if (mine.click) {
        for (const beat of beats) {
          if (beat >= begin - 1e-6 && beat < end) clickAt(offline, into(offline, joined, 0), early + beat - begin, false);
        }
      }
      write(await offline.startRendering(), skip);
      for (const other of kept.keys()) if (other !== place) kept.delete(other);
    }
    if (!current()) return null;
    return { url: URL.createObjectURL(new Blob([header(rate, written), ...written], { type: "audio/wav" })), from, to, lasts: lead / rate };
  },
};

const HEAD = -3; // room for what left and right add up to

// One channel of a merger; what comes in is made mono.
function into(offline, joined, side) {
  const mono = offline.createGain();
  mono.channelCount = 1;
  mono.channelCountMode = "explicit";
  mono.connect(joined, 0, side);
  return mono;
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

// ---- what is seen of it

function practice() {
  byId("practise").setAttribute("aria-expanded", String(mine.open));
  byId("practising").hidden = !mine.open;
  byId("me").value = mine.me;
  byId("me-level").disabled = mine.me === "";
  byId("me-level").value = mine.level;
  const says = mine.me === "" ? "say first who you are" : mine.level <= OUT ? "me out" : mine.level === 0 ? "as in the mix" : `me ${shown(mine.level)}`;
  byId("me-says").textContent = says;
  byId("me-level").setAttribute("aria-valuetext", says);
  byId("speed").value = mine.speed;
  byId("speed-says").textContent = mine.speed === 100 ? "as played" : `${mine.speed} %, at the same pitch`;
  byId("speed").setAttribute("aria-valuetext", byId("speed-says").textContent);
  if (beats.length > 1) {
    byId("click").checked = mine.click;
    byId("count").checked = mine.count;
    byId("beats").value = mine.beats;
    byId("bars").value = mine.bars;
  }
  balance();
}

const changes = (id, event, set, restarts) => {
  const control = byId(id);
  if (!control) return;
  control.addEventListener(event, () => {
    set(control);
    keep();
    practice();
    if (restarts) again();
  });
};
changes("practise", "click", () => { mine.open = !mine.open; }, false);
byId("practise").addEventListener("click", () => { if (slowly.on || slowly.wanted() || mine.click) again(); });
changes("me", "change", ({ value }) => { mine.me = value; if (value && !asked.name.trim()) { asked.name = value; byId("who").value = value; changed(); } }, false);
byId("me").addEventListener("change", () => { if (slowly.on) again(); });
changes("me-level", "input", ({ value }) => { mine.level = Number(value); }, false);
changes("speed", "input", ({ value }) => { mine.speed = Number(value); }, false);
byId("speed").addEventListener("change", again);
changes("click", "change", ({ checked }) => { mine.click = checked; }, true);
changes("count", "change", ({ checked }) => { mine.count = checked; }, true);
changes("beats", "change", ({ value }) => { mine.beats = Number(value); }, false);
changes("bars", "change", ({ value }) => { mine.bars = Number(value); }, false);
if (beats.length > 1) {
  byId("loop-bars").addEventListener("click", () => {
    const first = beatNear(where());
    const last = first + mine.bars * mine.beats;
    if (last >= beats.length) { tell("There are not that many bars left."); return; }
    stretch.from = Math.max(0, beats[first]);
    stretch.to = Math.min(song.seconds, beats[last]);
    stretch.repeat = byId("repeat").checked = true;
    changed();
    tell(`Looping ${mine.bars} bars from ${clock(stretch.from)}.`);
    go(stretch.from);
  });
}
