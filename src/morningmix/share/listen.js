"use strict";
(() => {
  const holder = document.getElementById("song");
  const song = JSON.parse(holder.textContent);
  holder.remove();

  const byId = (id) => document.getElementById(id);
  const PIECE = song.piece_s;
  const COUNT = Math.ceil(song.seconds / PIECE);
  const CROSS = 0.02; // seconds in which one piece fades into the next
  const EDGE = 0.005; // fade where sound begins or ends in the middle of a piece
  const AHEAD = 2.5; // seconds of sound that are handed over before they are due
  const QUIET = -12;

  const gain = (db) => Math.pow(10, db / 20);
  const clock = (seconds) => {
    const tenths = Math.round(seconds * 10);
    const rest = String(Math.floor((tenths % 600) / 10)).padStart(2, "0");
    return `${Math.floor(tenths / 600)}:${rest}.${tenths % 10}`;
  };
  const short = (seconds) => clock(Math.floor(seconds)).slice(0, -2);
  const signed = (db) => `${db > 0 ? "+" : ""}${db}`;
  const shown = (db) => `${signed(db).replace("-", "−")} dB`;
  const tell = (words) => { byId("told").textContent = words; };

  // ---- what a person asked for, kept where the browser allows it

  const KEY = `morningmix ${song.mix}`;
  const asked = { name: "", faders: {}, stretches: [], notes: [] };
  try {
    Object.assign(asked, JSON.parse(localStorage.getItem(KEY) || "{}"));
  } catch { /* a private window keeps nothing */ }
  const keep = () => {
    try { localStorage.setItem(KEY, JSON.stringify(asked)); } catch { /* as above */ }
  };
  const muted = new Set();
  const alone = new Set();
  const stretch = { from: null, to: null, repeat: false };

  // ---- sound

  let context = null;
  let out = null;
  let shift = 0; // how far this browser's decoder moves sound, seconds
  const buses = new Map();
  const kept = new Map();

  const decode = (text) => {
    const bytes = Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0));
    return context.decodeAudioData(bytes.buffer);
  };

  async function wake() {
    if (context) return;
    try {
      context = new AudioContext({ sampleRate: song.rate_hz });
    } catch {
      context = new AudioContext(); // decoding converts to whatever rate that is
    }
    out = context.createGain();
    out.gain.value = 0;
    out.connect(context.destination);
    for (const family of song.families) {
      const bus = context.createGain();
      bus.connect(out);
      buses.set(family.name, bus);
    }
    const click = await decode(song.click);
    const samples = click.getChannelData(0);
    let at = 0;
    for (let i = 0; i < samples.length; i += 1) if (Math.abs(samples[i]) > Math.abs(samples[at])) at = i;
    shift = at / click.sampleRate - song.click_at_s;
    balance(0);
  }

  async function cut(family, place) {
    const text = song.families[family].pieces[place];
    if (!text) return null;
    const raw = await decode(text);
    const rate = raw.sampleRate;
    const first = Math.round((shift + song.margin_s) * rate);
    const frames = Math.round((PIECE + CROSS) * rate);
    const fade = Math.round(CROSS * rate);
    const piece = context.createBuffer(raw.numberOfChannels, frames, rate);
    for (let channel = 0; channel < raw.numberOfChannels; channel += 1) {
      const samples = piece.getChannelData(channel);
      samples.set(raw.getChannelData(channel).subarray(first, first + frames));
      for (let i = 0; i < fade; i += 1) {
        const share = (i + 0.5) / fade;
        if (place > 0) samples[i] *= share;
        if (place < COUNT - 1) samples[frames - fade + i] *= 1 - share;
      }
    }
    return piece;
  }

  function pieces(place) {
    if (!kept.has(place)) kept.set(place, Promise.all(song.families.map((_, family) => cut(family, place))));
    return kept.get(place);
  }

  let turn = 0; // counts starts and stops, so that what was begun before one ends by itself
  let playing = false;
  let rest = 0; // where the song stands while nothing plays
  let next = null; // what is handed over next: {at: the context's time, song: seconds}
  let parts = []; // what was handed over: {at, until, song}
  const sources = new Set();

  function start(buffer, family, when, offset, seconds, softStart, softEnd) {
    const source = context.createBufferSource();
    const edge = context.createGain();
    source.buffer = buffer;
    source.connect(edge);
    edge.connect(buses.get(song.families[family].name));
    if (softStart) {
      edge.gain.setValueAtTime(0, when);
      edge.gain.linearRampToValueAtTime(1, when + EDGE);
    }
    if (softEnd) {
      edge.gain.setValueAtTime(1, when + seconds - EDGE);
      edge.gain.linearRampToValueAtTime(0, when + seconds);
    }
    source.start(when, offset, seconds);
    const one = { source, edge };
    sources.add(one);
    source.onended = () => { sources.delete(one); edge.disconnect(); };
  }

  const repeats = () => stretch.repeat && stretch.from !== null && stretch.to !== null;

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
      ready.forEach((buffer, family) => {
        if (buffer) {
          start(buffer, family, next.at, next.song - place * PIECE, seconds + (whole ? CROSS : 0),
            next.song !== place * PIECE, !whole);
        }
      });
      parts.push({ at: next.at, until: next.at + seconds, song: next.song });
      next = { at: next.at + seconds, song: turns && end === stretch.to ? stretch.from : end };
    }
    pumping = false;
    if (mine !== turn) { pump(); return; }
    const now = Math.floor(where() / PIECE);
    const wanted = new Set([now, now + 1, Math.floor(next.song / PIECE), repeats() ? Math.floor(stretch.from / PIECE) : now]);
    for (const place of kept.keys()) if (!wanted.has(place)) kept.delete(place);
    parts = parts.filter((part) => part.until > context.currentTime - 1);
  }

  function where() {
    if (!playing || !next) return rest;
    const now = context.currentTime;
    let found = null;
    for (const part of parts) if (part.at <= now) found = part;
    return found ? Math.min(found.song + now - found.at, song.seconds) : rest;
  }

  function silence() {
    turn += 1;
    for (const { source, edge } of sources) {
      edge.gain.cancelScheduledValues(context.currentTime);
      edge.gain.setTargetAtTime(0, context.currentTime, 0.003);
      source.stop(context.currentTime + 0.02);
    }
    parts = [];
  }

  async function play() {
    if (rest >= song.seconds - 0.05) rest = 0;
    playing = true;
    next = null;
    turn += 1;
    const mine = turn;
    byId("play").textContent = "Pause";
    await wake();
    await context.resume();
    await pieces(Math.floor(rest / PIECE));
    if (mine !== turn) return;
    const first = Math.ceil((context.currentTime + 0.1) * context.sampleRate) / context.sampleRate;
    next = { at: first, song: rest };
    // Never with a jump, and never louder than the listener has chosen.
    out.gain.cancelScheduledValues(0);
    out.gain.setValueAtTime(0, context.currentTime);
    out.gain.linearRampToValueAtTime(gain(Number(byId("volume").value)), first + 0.3);
    balance(0);
    pump();
    requestAnimationFrame(follow);
  }

  function pause() {
    rest = where();
    silence();
    playing = false;
    byId("play").textContent = "Play";
    show();
  }

  function go(seconds) {
    const to = Math.min(Math.max(seconds, 0), song.seconds);
    const was = playing;
    if (was) { silence(); playing = false; }
    rest = to;
    if (was) play(); else show();
  }

  function level(name, at) {
    if (muted.has(name) || (alone.size && !alone.has(name))) return 0;
    const extra = asked.stretches.filter((one) => one.name === name && one.from <= at && at < one.to);
    return gain(extra.reduce((sum, one) => sum + one.db, asked.faders[name] || 0));
  }

  function balance(seconds = 0.015) {
    if (!context) return;
    const at = where();
    for (const [name, bus] of buses) {
      if (seconds) bus.gain.setTargetAtTime(level(name, at), context.currentTime, seconds);
      else bus.gain.value = level(name, at);
    }
  }

  setInterval(() => {
    if (!playing || !next) return;
    pump();
    if (asked.stretches.length) balance();
    if (where() >= song.seconds - 0.02) { silence(); playing = false; rest = song.seconds; byId("play").textContent = "Play"; show(); }
  }, 100);

  // ---- what is seen

  const place = byId("place");
  function show() {
    const at = where();
    if (document.activeElement !== place || playing) place.value = at;
    place.setAttribute("aria-valuetext", `${short(at)} of ${short(song.seconds)}`);
    byId("time").textContent = `${short(at)} of ${short(song.seconds)}`;
    byId("hand").style.left = `${(100 * at) / song.seconds}%`;
  }
  function follow() {
    if (!playing) return;
    show();
    requestAnimationFrame(follow);
  }

  function listed(id, items, words, remove) {
    const list = byId(id);
    list.replaceChildren(...items.map((item, at) => {
      const line = document.createElement("li");
      const jump = document.createElement("button");
      jump.type = "button";
      jump.textContent = short(item.at === undefined ? item.from : item.at);
      jump.setAttribute("aria-label", `Go to ${jump.textContent}`);
      jump.addEventListener("click", () => go(item.at === undefined ? item.from : item.at));
      const text = document.createElement("span");
      text.dir = "auto";
      text.textContent = words(item);
      const away = document.createElement("button");
      away.type = "button";
      away.textContent = "Remove";
      away.setAttribute("aria-label", `Remove: ${words(item)}`);
      away.addEventListener("click", () => { remove(at); changed(); });
      line.append(jump, text, away);
      return line;
    }));
  }

  function wishes() {
    const lines = ["morningmix wishes", `song: ${song.title}`, `mix: ${song.mix}`, `from: ${asked.name.trim() || "somebody"}`];
    for (const family of song.families) {
      if (asked.faders[family.name]) lines.push(`${family.name} ${signed(asked.faders[family.name])}`);
    }
    for (const one of asked.stretches) lines.push(`${one.name} ${signed(one.db)} from ${clock(one.from)} to ${clock(one.to)}`);
    for (const note of asked.notes) lines.push(`note ${clock(note.at)} ${note.says}`);
    return `${lines.join("\n")}\n`;
  }

  function changed() {
    keep();
    balance();
    listed("notes", asked.notes, (note) => note.says, (at) => asked.notes.splice(at, 1));
    listed("stretches", asked.stretches, (one) => `${one.name} ${shown(one.db)} until ${short(one.to)}`,
      (at) => asked.stretches.splice(at, 1));
    byId("wishes").value = wishes();
    const marked = stretch.from !== null && stretch.to !== null;
    byId("repeat").disabled = !marked;
    byId("only").disabled = !marked || !song.families.some((family) => asked.faders[family.name]);
    byId("marked").textContent = marked ? `Marked: ${clock(stretch.from)} to ${clock(stretch.to)}.`
      : stretch.from !== null ? `Starts at ${clock(stretch.from)}. Now mark its end.` : "Nothing is marked.";
    const band = byId("marked-part");
    band.hidden = !marked;
    if (marked) {
      band.style.left = `${(100 * stretch.from) / song.seconds}%`;
      band.style.width = `${(100 * (stretch.to - stretch.from)) / song.seconds}%`;
    }
  }

  const faders = [];
  song.families.forEach((family, at) => {
    const fader = byId(`fader-${at}`);
    const says = byId(`says-${at}`);
    const set = () => {
      fader.value = asked.faders[family.name] || 0;
      says.textContent = shown(Number(fader.value));
      fader.setAttribute("aria-valuetext", shown(Number(fader.value)));
    };
    faders.push(set);
    fader.addEventListener("input", () => {
      asked.faders[family.name] = Number(fader.value);
      set();
      changed();
    });
    for (const [what, names] of [["mute", muted], ["solo", alone]]) {
      const button = byId(`${what}-${at}`);
      button.addEventListener("click", () => {
        if (names.has(family.name)) names.delete(family.name); else names.add(family.name);
        button.setAttribute("aria-pressed", String(names.has(family.name)));
        balance();
      });
    }
    set();
  });

  byId("play").addEventListener("click", () => { if (playing) pause(); else play(); });
  byId("back").addEventListener("click", () => go(where() - 5));
  byId("forward").addEventListener("click", () => go(where() + 5));
  place.addEventListener("input", () => go(Number(place.value)));
  byId("volume").addEventListener("input", () => {
    const db = Number(byId("volume").value);
    byId("volume").setAttribute("aria-valuetext", shown(db));
    if (context) {
      out.gain.cancelScheduledValues(0);
      out.gain.setTargetAtTime(gain(db), context.currentTime, 0.02);
    }
  });
  byId("from").addEventListener("click", () => {
    stretch.from = Math.round(where() * 10) / 10;
    if (stretch.to !== null && stretch.to <= stretch.from + 0.4) stretch.to = null;
    changed();
  });
  byId("to").addEventListener("click", () => {
    const at = Math.round(where() * 10) / 10;
    if (stretch.from === null) stretch.from = 0;
    if (at <= stretch.from + 0.4) { tell("A part must be at least half a second long."); return; }
    stretch.to = at;
    changed();
  });
  byId("repeat").addEventListener("change", () => {
    stretch.repeat = byId("repeat").checked;
    if (repeats()) go(stretch.from);
  });
  byId("forget").addEventListener("click", () => {
    stretch.from = stretch.to = null;
    stretch.repeat = byId("repeat").checked = false;
    changed();
  });
  byId("only").addEventListener("click", () => {
    for (const family of song.families) {
      const db = asked.faders[family.name];
      if (db) asked.stretches.push({ name: family.name, db, from: stretch.from, to: stretch.to });
    }
    asked.faders = {};
    faders.forEach((set) => set());
    changed();
    tell("Your faders now count for the marked part only.");
  });
  let began = null; // a note is about the moment at which somebody begins to write it
  byId("note").addEventListener("input", () => {
    began = byId("note").value ? (began === null ? Math.round(where() * 10) / 10 : began) : null;
  });
  byId("noting").addEventListener("submit", (event) => {
    event.preventDefault();
    const says = byId("note").value.replace(/\s+/g, " ").trim();
    if (!says) { tell("Write something first."); return; }
    asked.notes.push({ at: began, says });
    began = null;
    byId("note").value = "";
    changed();
    tell("Note added.");
  });
  byId("who").value = asked.name;
  byId("who").addEventListener("input", () => { asked.name = byId("who").value.replace(/\s+/g, " "); changed(); });
  byId("copy").addEventListener("click", async () => {
    const field = byId("wishes");
    try {
      await navigator.clipboard.writeText(field.value);
    } catch {
      field.select();
      document.execCommand("copy");
    }
    tell("Copied. Paste it into a message to whoever is mixing.");
  });
  byId("volume").value = QUIET;
  changed();
  show();
})();
