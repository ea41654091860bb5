// The song's page: what people wish for, and how it gets to whoever is mixing.

function level(name, at, withoutMe) {
  if (muted.has(name) || (alone.size && !alone.has(name))) return 0;
  const extra = asked.stretches.filter((one) => one.name === name && one.from <= at && at < one.to);
  const mineToo = practising() && !withoutMe && isMe(song.parts.find((part) => part.name === name)) ? meGain() : 1;
  return mineToo * gain(extra.reduce((sum, one) => sum + one.db, asked.faders[name] || 0));
}

const volume = () => gain(Number(byId("volume").value));

function balance(seconds = 0.015) {
  if (!graph) return;
  const at = where();
  graph.buses.forEach((bus, place) => {
    const value = level(song.parts[place].name, at);
    if (seconds) bus.gain.setTargetAtTime(value, context.currentTime, seconds);
    else bus.gain.value = value;
  });
  slowly.balance();
}

// ---- what is seen

const place = byId("place");
function show() {
  const at = where();
  if (document.activeElement !== place || playing) place.value = at;
  place.setAttribute("aria-valuetext", `${short(at)} of ${short(song.seconds)}`);
  byId("time").textContent = `${short(at)} of ${short(song.seconds)}`;
  byId("hand").style.left = `${(100 * at) / song.seconds}%`;
}

function removal(words, remove) {
  const away = document.createElement("button");
  away.type = "button";
  away.textContent = "Remove";
  away.setAttribute("aria-label", `Remove: ${words}`);
  away.addEventListener("click", () => { remove(); changed(); });
  return away;
}

function listed(id, items, words, remove) {
  byId(id).replaceChildren(...items.map((item, at) => {
    const entry = document.createElement("li");
    const jump = document.createElement("button");
    jump.type = "button";
    jump.textContent = short(item.at === undefined ? item.from : item.at);
    jump.setAttribute("aria-label", `Go to ${jump.textContent}`);
    jump.addEventListener("click", () => go(item.at === undefined ? item.from : item.at));
    const text = document.createElement("span");
    text.dir = "auto";
    text.textContent = words(item);
    entry.append(jump, text);
    if (remove) entry.append(removal(words(item), () => remove(at)));
    return entry;
  }));
}

// ---- wishes

const TONES = { room: ["less echo", "more echo"], low: ["less boom", "more boom"], high: ["darker", "brighter"] };
const STEP = { room: 3, low: 2, high: 2 };
const MOST_STEPS = 3;
const toneOf = (name, kind) => (asked.tones[name] || {})[kind] || 0;
const much = (times, words) => (times > 1 ? `${["", "", "much", "very much"][times]} ${words}` : words);
const tonesOf = (name) => Object.entries(TONES).filter(([kind]) => toneOf(name, kind)).map(([kind, words]) =>
  much(Math.abs(toneOf(name, kind)) / STEP[kind], words[Number(toneOf(name, kind) > 0)]));

let began = null; // a note is about the moment at which somebody begins to write it
const typed = () => byId("note").value.replace(/\s+/g, " ").trim();
const notes = () => (typed() ? [...asked.notes, { at: began === null ? where() : began, says: typed() }] : asked.notes);

function wishes() {
  const lines = ["morningmix wishes", `song: ${song.title}`, `mix: ${song.mix}`, `from: ${asked.name.trim() || "somebody"}`];
  for (const { name } of song.parts) {
    if (asked.faders[name]) lines.push(`${name} ${signed(asked.faders[name])}`);
    for (const kind of Object.keys(TONES)) if (toneOf(name, kind)) lines.push(`${name} ${kind} ${signed(toneOf(name, kind))}`);
  }
  for (const one of asked.stretches) lines.push(`${one.name} ${signed(one.db)} from ${clock(one.from)} to ${clock(one.to)}`);
  for (const note of notes()) lines.push(`note ${clock(note.at)} ${note.says}`);
  return `${lines.join("\n")}\n`;
}

const unsaid = (list, one) => list.splice(list.indexOf(one), 1);
const untyped = () => { byId("note").value = ""; began = null; };
const louder = (db) => `${Math.abs(db)} dB ${db > 0 ? "louder" : "softer"}`;

// Every wish as a sentence, and how to take it back.
function sentences() {
  const found = [];
  for (const { name } of song.parts) {
    const wanted = [...(asked.faders[name] ? [louder(asked.faders[name])] : []), ...tonesOf(name)];
    if (!wanted.length) continue;
    found.push({ says: `${named(name)}: ${wanted.join(", ")}.`, undo: () => { asked.faders[name] = 0; delete asked.tones[name]; } });
  }
  for (const one of asked.stretches) {
    const says = `${named(one.name)}, only from ${short(one.from)} to ${short(one.to)}: ${louder(one.db)}.`;
    found.push({ says, undo: () => unsaid(asked.stretches, one) });
  }
  for (const note of notes()) {
    const undo = () => (asked.notes.includes(note) ? unsaid(asked.notes, note) : untyped());
    found.push({ says: `At ${short(note.at)}: ${note.says}`, undo });
  }
  return found;
}

const items = (list, texts) => list.replaceChildren(...texts.map((text) => {
  const item = document.createElement("li");
  item.dir = "auto";
  item.textContent = text;
  return item;
}));

function written() {
  const found = sentences();
  items(byId("said"), found.length ? found.map(({ says }) => says) : ["Nothing yet. Move a fader, or write a note."]);
  found.forEach(({ says, undo }, at) => byId("said").children[at].append(removal(says, undo)));
  byId("wishes").value = wishes();
  byId("ready").hidden = !found.length;
  byId("ready").textContent = found.length === 1 ? "Send 1 wish" : `Send ${found.length} wishes`;
  for (const id of ["send", "copy", "save"]) byId(id).disabled = !found.length;
  const mail = byId("mail");
  if (found.length) {
    mail.href = `mailto:?subject=${encodeURIComponent(`Wishes for ${song.title}`)}&body=${encodeURIComponent(wishes().replace(/\n/g, "\r\n"))}`;
  } else mail.removeAttribute("href");
  mail.setAttribute("aria-disabled", String(!found.length));
}

const faders = [];
function changed() {
  keep();
  balance();
  faders.forEach((set) => set());
  listed("notes", asked.notes, (note) => note.says, (at) => asked.notes.splice(at, 1));
  listed("stretches", asked.stretches, (one) => `${named(one.name)} ${shown(one.db)} until ${short(one.to)}`,
    (at) => asked.stretches.splice(at, 1));
  written();
  byId("repeat").disabled = !marked();
  byId("marked").textContent = marked() ? `Marked: ${clock(stretch.from)} to ${clock(stretch.to)}.`
    : stretch.from !== null ? `Starts at ${clock(stretch.from)}. Now mark its end.` : "";
  const band = byId("marked-part");
  band.hidden = !marked();
  if (marked()) {
    band.style.left = `${(100 * stretch.from) / song.seconds}%`;
    band.style.width = `${(100 * (stretch.to - stretch.from)) / song.seconds}%`;
  }
}

// Where faders stood when a part was marked: what is moved from there on may be meant for the part alone.
let whole = {};
const marking = () => { whole = { ...asked.faders }; };

song.parts.forEach(({ name }, at) => {
  const fader = byId(`fader-${at}`);
  const only = byId(`only-${at}`);
  const moved = () => (asked.faders[name] || 0) - (whole[name] || 0);
  faders.push(() => {
    fader.value = asked.faders[name] || 0;
    const says = shown(Number(fader.value));
    byId(`says-${at}`).textContent = says;
    fader.setAttribute("aria-valuetext", says);
    only.hidden = !marked();
    only.disabled = !asked.faders[name] && !moved();
    if (marked()) only.textContent = `Only from ${short(stretch.from)} to ${short(stretch.to)}`;
    const tones = tonesOf(name);
    byId(`tones-${at}`).textContent = tones.length ? tones.join(", ") : "as it is";
  });
  fader.addEventListener("input", () => {
    asked.faders[name] = Number(fader.value);
    changed();
  });
  only.addEventListener("click", () => {
    const db = moved() || asked.faders[name];
    asked.faders[name] = moved() ? whole[name] || 0 : 0;
    asked.stretches.push({ name, db, from: stretch.from, to: stretch.to });
    changed();
    byId(`fader-${at}`).focus();
    byId(`heard-${at}`).textContent = `${named(name)}: ${louder(db)} from ${short(stretch.from)} to ${short(stretch.to)} only. `
      + "The other faders stay.";
  });
  for (const [what, names] of [["mute", muted], ["solo", alone]]) {
    const button = byId(`${what}-${at}`);
    button.addEventListener("click", () => {
      if (names.has(name)) names.delete(name); else names.add(name);
      button.setAttribute("aria-pressed", String(names.has(name)));
      balance();
      if (slowly.on) again();
    });
  }
  for (const kind of Object.keys(TONES)) {
    [-1, 1].forEach((way, side) => {
      byId(`${kind}-${side}-${at}`).addEventListener("click", () => {
        const most = MOST_STEPS * STEP[kind];
        const value = Math.min(most, Math.max(-most, toneOf(name, kind) + way * STEP[kind]));
        asked.tones[name] = { ...asked.tones[name], [kind]: value };
        changed();
      });
    });
  }
});

byId("play").addEventListener("click", () => { if (playing) pause(); else play(); });
byId("back").addEventListener("click", () => go(where() - 5));
byId("forward").addEventListener("click", () => go(where() + 5));
place.addEventListener("input", () => go(Number(place.value)));
byId("volume").addEventListener("input", () => {
  byId("volume").setAttribute("aria-valuetext", shown(Number(byId("volume").value)));
  if (!graph) return;
  graph.out.gain.cancelScheduledValues(0);
  graph.out.gain.setTargetAtTime(volume(), context.currentTime, 0.02);
  slowly.balance();
});
byId("from").addEventListener("click", () => {
  stretch.from = Math.round(where() * 10) / 10;
  if (stretch.to !== null && stretch.to <= stretch.from + 0.4) stretch.to = null;
  marking();
  changed();
});
byId("to").addEventListener("click", () => {
  const at = Math.round(where() * 10) / 10;
  if (stretch.from === null) stretch.from = 0;
  if (at <= stretch.from + 0.4) { byId("marked").textContent = "A part must be at least half a second long."; return; }
  stretch.to = at;
  marking();
  changed();
});
byId("repeat").addEventListener("change", () => {
  stretch.repeat = byId("repeat").checked;
  if (repeats()) go(stretch.from); else again();
});
byId("forget").addEventListener("click", () => {
  stretch.from = stretch.to = null;
  stretch.repeat = byId("repeat").checked = false;
  changed();
  if (slowly.on) again();
});
byId("note").addEventListener("input", () => {
  began = byId("note").value ? (began === null ? Math.round(where() * 10) / 10 : began) : null;
  written();
});
byId("noting").addEventListener("submit", (event) => {
  event.preventDefault();
  if (!typed()) { byId("noted").textContent = "Write something first."; return; }
  asked.notes.push({ at: began === null ? where() : began, says: typed() });
  began = null;
  byId("note").value = "";
  changed();
  byId("noted").textContent = "Note added.";
});
byId("who").value = asked.name;
byId("who").addEventListener("input", () => { asked.name = byId("who").value.replace(/\s+/g, " "); changed(); });

// ---- sending back

const canShare = () => { try { return navigator.canShare({ text: wishes() }); } catch { return false; } };
byId("send").hidden = !canShare();
byId("copy").classList.toggle("main", byId("send").hidden);
byId("send").addEventListener("click", async () => {
  try {
    await navigator.share({ title: `Wishes for ${song.title}`, text: wishes() });
    sent("Handed over:");
  } catch (error) {
    if (error.name !== "AbortError") sent("That did not work here. Copy them, or save them as a file.", true);
  }
});
byId("copy").addEventListener("click", async () => {
  try {
    await navigator.clipboard.writeText(wishes());
  } catch {
    byId("as-text").open = true;
    byId("wishes").select();
    document.execCommand("copy");
  }
  sent("Copied. Paste it into a message to whoever is mixing:");
});
byId("mail").addEventListener("click", () => { if (byId("mail").href) sent("In the mail:"); });
byId("save").addEventListener("click", () => {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([wishes()], { type: "text/plain" }));
  link.download = `wishes ${song.title} ${asked.name.trim()}`.replace(/[^\p{L}\p{N} -]/gu, "").trim().slice(0, 80) + ".txt";
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  sent("Saved as a text file. Attach it to a message to whoever is mixing:");
});
function sent(words, failed) {
  byId("sent").textContent = words;
  items(byId("sent-what"), failed ? [] : sentences().map(({ says }) => says));
  for (const id of ["sent-what", "sent"]) byId(id).scrollIntoView({ block: "nearest" });
}

if (song.notes.length) listed("before", song.notes, (note) => note.says);
byId("volume").value = QUIET;
marking();
changed();
practice();
show();
