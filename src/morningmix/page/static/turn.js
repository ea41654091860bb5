// Step 3: mix, play the songs, and turn what is heard.

import { change, refresh, tell } from "./asking.js";
import { Graph } from "./graph.js";
import { play, playing, stop, watch } from "./player.js";

const place = document.getElementById("mix");
const PARTS = ["level", "low", "high", "room"];
const STILL_MS = 500; // after the last key a slider stays where it is
const DRAG_PX = 8;
const SHORTEST_S = 0.5;
const one = (selector) => place.querySelector(selector);
const all = (selector) => [...place.querySelectorAll(selector)];
const percent = (share) => `${100 * Math.min(Math.max(share, 0), 1)}%`;
const tenths = (seconds) => Math.round(seconds * 10) / 10;
const clock = (seconds) => {
  const rest = tenths(seconds % 60);
  return `${Math.floor(seconds / 60)}:${rest < 10 ? "0" : ""}${rest.toFixed(1)}`;
};

let graph = null; // of the song that plays, or played last
let song = null; // its number
let opening = 0; // counts starts, so that only the last one plays
const where = new Map(); // by song: where it stands
const marks = new Map(); // by song: { from, to }
const listening = { only: new Set(), without: new Set() }; // names of inputs
const open = new Set(); // rows whose tone is shown
let scope = 0;
let practice = null; // what somebody has ticked and not yet mixed

function words(db) {
  const size = Math.abs(db);
  if (size < 0.05) return "as it is";
  const how = size <= 1 ? "a touch" : size <= 3 ? "clearly" : size <= 8 ? "much" : "very much";
  return `${how} ${db > 0 ? "louder" : "softer"} (${db > 0 ? "+" : "−"}${size} dB)`;
}
const toneWords = (db) => (db ? `${db > 0 ? "more" : "less"} (${db > 0 ? "+" : "−"}${Math.abs(db)} dB)` : "as it is");

const marked = () => {
  const mark = marks.get(song);
  return mark && mark.from !== undefined && mark.to !== undefined ? [mark.from, mark.to] : null;
};
const settings = () => JSON.parse(one(".turn").dataset.settings);
const isMeant = ({ dataset }) => (dataset.family ? (track) => track.family === dataset.family
  : (track) => track.name === dataset.name);

// What a row is set to, for what a turn counts for.
function valueOf(row, part) {
  if (scope === 2) {
    const within = marked();
    const own = within && cardOf(song) && [...cardOf(song).querySelectorAll("[data-own=gone]")].find(({ dataset }) =>
      dataset.name === row.dataset.name && Math.abs(dataset.from - within[0]) < 0.06 && Math.abs(dataset.to - within[1]) < 0.06);
    return own ? Number(own.dataset.level) : 0;
  }
  return settings()[scope === 1 ? String(song) : "all"]?.[row.dataset.row]?.[part] || 0;
}

const cardOf = (number) => one(`[data-number="${number}"]`);

// ---- what is seen

function dress() {
  if (!one(".turn")) return;
  if (practice !== null && one("#mix-practice")) one("#mix-practice").checked = practice;
  if (!cardOf(song)) song = Number(one("[data-number]").dataset.number);
  for (const card of all("[data-number]")) {
    for (const note of card.querySelectorAll(".note-mark")) note.style.left = percent(note.dataset.at / card.dataset.seconds);
    for (const part of card.querySelectorAll(".own-part")) span(part, card, part.dataset.from, part.dataset.to);
  }
  for (const row of all("[data-row]")) {
    const shown = open.has(row.dataset.row);
    row.querySelector(".tone").hidden = !shown;
    row.querySelector("[data-more]").setAttribute("aria-expanded", String(shown));
  }
  showScope();
  showListening();
  show(playing());
  if (!document.body.dataset.working || document.body.dataset.working === "false") warmUp(cardOf(song));
}

function span(element, card, from, to) {
  element.style.left = percent(from / card.dataset.seconds);
  element.style.width = percent((to - from) / card.dataset.seconds);
}

function showScope() {
  const title = cardOf(song)?.dataset.title || "";
  const within = marked();
  if (scope === 2 && !within) scope = 0;
  const part = one("#scope-part");
  part.disabled = !within;
  one("#scope-part-says").textContent = within ? `only ${clock(within[0])} to ${clock(within[1])} of ${title}`
    : "one part only: mark it on the hills first";
  if (one("#scope-song")) one("#scope-song-says").textContent = `only ${title}`;
  else if (scope === 1) scope = 0;
  one(`[name=scope][value="${scope}"]`).checked = true;
  for (const card of all("[data-number]")) {
    const mark = marks.get(Number(card.dataset.number));
    const band = card.querySelector(".marked");
    band.hidden = !mark;
    if (mark) span(band, card, mark.from ?? mark.to, mark.to ?? mark.from);
    const clear = card.querySelector("[data-do=clear]");
    if (clear) clear.disabled = !mark;
    const part = card.querySelector("[data-do=part]");
    if (part) part.disabled = mark?.from === undefined || mark.to === undefined;
    card.classList.toggle("current", Number(card.dataset.number) === song);
  }
  for (const row of all("[data-row]")) {
    for (const slider of row.querySelectorAll("input[type=range]")) {
      slider.disabled = scope === 2 && (slider.dataset.turns !== "level" || Boolean(row.dataset.family));
      slider.dataset.was = valueOf(row, slider.dataset.turns);
      slider.value = slider.asked = slider.dataset.was;
      say(slider);
    }
  }
}

function say(slider) {
  const { turns: part } = slider.dataset;
  const db = Number(slider.value);
  const says = part === "level" ? words(db) : toneWords(db);
  slider.parentElement.querySelector(`output[for="${slider.id}"]`).textContent = says;
  slider.setAttribute("aria-valuetext", says);
}

function showListening() {
  for (const button of all("[data-listen]")) {
    const { name } = button.closest("[data-row]").dataset;
    button.setAttribute("aria-pressed", String(listening[button.dataset.listen].has(name)));
  }
}

function show(now) {
  const mine = now?.owner.mixed;
  if (mine !== undefined) {
    where.set(mine, now.where());
    graph?.playsAt(now.where());
  }
  for (const card of all("[data-mixed]")) {
    const number = Number(card.dataset.number);
    const at = where.get(number);
    const hand = card.querySelector(".hand");
    hand.classList.toggle("on", at !== undefined);
    if (at !== undefined) hand.style.left = percent(at / card.dataset.seconds);
    const button = card.querySelector("[data-do=play]");
    if (button) {
      button.textContent = mine === number ? "Pause" : "Play";
      button.setAttribute("aria-label", `${button.textContent}: ${card.dataset.title}`);
    }
    const slider = card.querySelector(".place");
    if (slider && at !== undefined && !slider.matches(":active")) {
      slider.value = at;
      slider.setAttribute("aria-valuetext", clock(at));
    }
    for (const choice of card.querySelectorAll("[data-hear]")) {
      const heard = graph?.song === number ? graph.heard : "now";
      choice.setAttribute("aria-pressed", String(choice.dataset.hear === heard));
    }
  }
}

// ---- sound

async function start(number, from, until) {
  const card = cardOf(number);
  if (!card?.dataset.mixed) return;
  opening += 1;
  const mine = opening;
  choose(number);
  try {
    if (graph?.song !== number) {
      const heard = graph?.heard;
      const fresh = await Graph.of(number);
      if (mine !== opening) return;
      graph = fresh;
      if (heard === "recorded") graph.heard = heard;
    }
  } catch (error) {
    tell(error.message, true);
    return;
  }
  const playingNow = graph;
  Object.assign(graph, listening);
  const { seconds, title } = card.dataset;
  const end = Math.min(until ?? Infinity, graph.numbers.seconds);
  graph.at = from >= end - 0.1 ? 0 : from;
  const { at } = graph;
  where.set(number, at);
  await play({
    owner: { mixed: number, says: title },
    lanes: graph.lanes,
    from: at,
    until: Math.min(end, Number(seconds)),
    ended: () => playingNow.forget(),
  });
}

// What takes a moment to measure is asked for before somebody presses Play.
const warm = new Map();
function warmUp(card) {
  const { number, mixed } = card.dataset;
  if (!mixed || warm.get(number) === mixed) return;
  warm.set(number, mixed);
  fetch(`/live/${number}`).then(() => fetch(`/live/${number}/recorded/0`)).catch(() => warm.delete(number));
}
for (const kind of ["pointerover", "focusin"]) {
  place.addEventListener(kind, ({ target }) => {
    const card = target.closest("[data-number]");
    if (card) warmUp(card);
  });
}

function choose(number) {
  if (song === number) return;
  song = number;
  showScope();
}

async function renew() {
  const old = graph;
  if (!old) return;
  try {
    if (await old.renew() || graph !== old) return;
  } catch {
    // It is not there any more; a press on Play says why.
  }
  if (graph !== old) return;
  // Other inputs, or another mix: play on from here with new lanes.
  const now = playing();
  graph = null;
  if (now?.owner.mixed === old.song) start(old.song, now.where());
}

// ---- what is pressed

place.addEventListener("click", ({ target }) => {
  const button = target.closest("button");
  if (!button) return;
  if (button.dataset.mix !== undefined) change(button, "/mix/start", { practice: one("#mix-practice")?.checked || false });
  const row = button.closest("[data-row]");
  if (button.dataset.more !== undefined) {
    if (!open.delete(row.dataset.row)) open.add(row.dataset.row);
    row.querySelector(".tone").hidden = !open.has(row.dataset.row);
    button.setAttribute("aria-expanded", String(open.has(row.dataset.row)));
  }
  if (button.dataset.listen) {
    const names = listening[button.dataset.listen];
    if (!names.delete(row.dataset.name)) names.add(row.dataset.name);
    Object.assign(graph || {}, listening);
    graph?.setAll();
    showListening();
  }
  const card = button.closest("[data-number]");
  if (!card) return;
  const number = Number(card.dataset.number);
  const at = where.get(number) ?? 0;
  if (button.dataset.hear) hear(number, button.dataset.hear, at);
  if (button.dataset.own === "play") start(number, Math.max(0, button.dataset.from - 1), Number(button.dataset.to) + 1);
  if (button.dataset.own === "done") {
    const { at: noted, who, says } = button.dataset;
    change(button, "/mix/done", { song: number, at: Number(noted), who, says });
  }
  if (button.dataset.own === "gone") {
    const { name, from, to } = button.dataset;
    graph?.turnPart((track) => track.name === name, [Number(from), Number(to)], 0);
    change(button, "/mix/set", { name, part: 0, scope: 2, value: 0, song: number, from: Number(from), to: Number(to) });
  }
  ({
    play: () => {
      if (playing()?.owner.mixed === number) stop();
      else start(number, at);
    },
    from: () => mark(number, { from: tenths(at) }),
    to: () => mark(number, { to: tenths(at) }),
    part: () => start(number, Math.max(0, marks.get(number).from - 1), marks.get(number).to + 1),
    clear: () => mark(number, null),
  })[button.dataset.do]?.();
});

async function hear(number, kind, at) {
  if (playing()?.owner.mixed !== number || graph?.song !== number) await start(number, at);
  graph?.hear(kind);
  show(playing());
}

// Marks one side of a part, or both, or nothing; what lies the wrong way round is turned.
function mark(number, sides) {
  choose(number);
  const mine = sides && { ...marks.get(number), ...sides };
  if (mine?.from !== undefined && mine.to !== undefined && mine.to < mine.from + SHORTEST_S) {
    if (sides.from !== undefined && sides.to === undefined) delete mine.to;
    else delete mine.from;
  }
  if (mine) marks.set(number, mine); else marks.delete(number);
  scope = marked() ? 2 : scope;
  showScope();
}

place.addEventListener("input", ({ target }) => {
  if (target.matches(".place")) {
    const number = Number(target.closest("[data-number]").dataset.number);
    where.set(number, Number(target.value));
    target.setAttribute("aria-valuetext", clock(Number(target.value)));
    if (playing()?.owner.mixed === number) start(number, Number(target.value));
    else show(playing());
  }
  if (target.id === "mix-practice") practice = target.checked;
  if (target.matches("[name=scope]")) {
    scope = Number(target.value);
    showScope();
  }
  const row = target.closest("[data-row]");
  if (!row || !target.matches("input[type=range]")) return;
  hold(target);
  const { turns: part } = target.dataset;
  const db = Number(target.value);
  if (scope === 2) graph?.song === song && graph.turnPart(isMeant(row), marked(), db);
  else if (scope === 0 || graph?.song === song) {
    graph?.turn(target.id, isMeant(row), part, db - Number(target.dataset.was));
  }
  say(target);
  clearTimeout(target.still);
  // Whoever drags it lets go of it; only keys do not say when they are done.
  if (dragged !== target) target.still = setTimeout(() => set(target), STILL_MS);
});
// What keys have turned a moment ago is written down before another slider is held.
function hold(slider) {
  if (place.dataset.held && place.dataset.held !== slider.id) set(document.getElementById(place.dataset.held));
  place.dataset.held = slider.id;
}
let dragged = null;
place.addEventListener("pointerdown", ({ target }) => {
  dragged = target.matches("[data-row] input[type=range]") ? target : null;
  if (dragged) hold(dragged);
});
for (const kind of ["pointerup", "pointercancel"]) {
  document.addEventListener(kind, () => {
    const was = dragged;
    dragged = null;
    if (was) setTimeout(() => set(was));
  });
}

// Writes a turn down once it stays.
async function set(slider) {
  clearTimeout(slider.still);
  if (place.dataset.held !== slider.id) return;
  delete place.dataset.held;
  const within = scope === 2 ? { from: marked()[0], to: marked()[1] } : {};
  // It may be turned on while this is written down, also back to where it was.
  const { value, asked } = slider;
  slider.asked = value;
  const done = value === asked || await change(slider, "/mix/set", {
    name: slider.closest("[data-row]").dataset.name,
    part: PARTS.indexOf(slider.dataset.turns),
    scope,
    value: Number(value),
    ...(scope ? { song } : {}),
    ...within,
  });
  graph?.settle(slider.id, value - slider.dataset.was, done);
  if (done) slider.dataset.was = value;
  else showScope();
  refresh("mix");
  renew();
}
place.addEventListener("focusout", ({ target }) => {
  if (target.closest("[data-row]") && target.matches("input[type=range]")) set(target);
});

// ---- the ridges: press to play from there, drag to mark a part

let drag = null;
const within = (strip, x) => {
  const box = strip.getBoundingClientRect();
  return Math.min(Math.max((x - box.left) / box.width, 0), 1) * strip.closest("[data-number]").dataset.seconds;
};
place.addEventListener("pointerdown", (event) => {
  const strip = event.target.closest("[data-ridge]");
  if (!strip || event.button) return;
  strip.setPointerCapture(event.pointerId);
  drag = { strip, x: event.clientX, number: Number(strip.closest("[data-number]").dataset.number), wide: false };
});
place.addEventListener("pointermove", (event) => {
  if (!drag) return;
  drag.wide ||= Math.abs(event.clientX - drag.x) > DRAG_PX;
  if (!drag.wide) return;
  const [from, to] = [within(drag.strip, drag.x), within(drag.strip, event.clientX)].sort((a, b) => a - b);
  mark(drag.number, { from: tenths(from), to: Math.max(tenths(to), tenths(from) + SHORTEST_S) });
});
place.addEventListener("pointerup", (event) => {
  if (drag && !drag.wide) start(drag.number, within(drag.strip, event.clientX));
  drag = null;
});
place.addEventListener("pointercancel", () => { drag = null; });

place.addEventListener("dressed", dress);
place.addEventListener("dressed", renew);
watch(show);
dress();
