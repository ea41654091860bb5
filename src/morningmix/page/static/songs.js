// Step 2: the take, its songs, and their edges.

import { change, refresh, whenTyped } from "./asking.js";
import { play, playing, stop, watch } from "./player.js";

const place = document.getElementById("songs");
const SNAP_PX = 9;
const SHORTEST_S = 1;
const BEFORE_END_S = 10;
const STILL_MS = 700; // after the last key an edge stays where it is
const share = (at, from, to) => `${100 * Math.min(Math.max((at - from) / (to - from), 0), 1)}%`;
const tenths = (seconds) => Math.round(seconds * 10) / 10;

function clock(seconds) {
  const all = Math.round(seconds * 10);
  const rest = `${String(Math.floor((all % 600) / 10)).padStart(2, "0")}.${all % 10}`;
  const minutes = Math.floor(all / 600);
  return minutes < 60 ? `${minutes}:${rest}`
    : `${Math.floor(minutes / 60)}:${String(minutes % 60).padStart(2, "0")}:${rest}`;
}

const takeOf = (element) => element.closest("[data-take]");
const songOf = (element) => element.closest("[data-song]");
const range = (strip) => [Number(strip.dataset.from), Number(strip.dataset.to)];
const where = new Map(); // where the hand stands in each take, after it has played

function dress() {
  for (const strip of place.querySelectorAll("[data-strip]")) {
    const [from, to] = range(strip);
    for (const one of strip.querySelectorAll("[data-at]")) {
      one.style.left = share(one.dataset.at, from, to);
      one.style.width = `calc(${share(one.dataset.until, from, to)} - ${share(one.dataset.at, from, to)})`;
    }
  }
  for (const song of place.querySelectorAll("[data-song]")) draw(song);
  show(playing());
}

function draw(song) {
  const strip = song.querySelector("[data-strip]");
  const [from, to] = range(strip);
  const { start, end } = song.dataset;
  strip.querySelector(".before").style.width = share(start, from, to);
  strip.querySelector(".after").style.left = share(end, from, to);
  for (const edge of strip.querySelectorAll("[data-edge]")) {
    edge.style.left = share(song.dataset[edge.dataset.edge], from, to);
  }
}

// ---- sound

function show(now) {
  if (now?.owner.take !== undefined) where.set(now.owner.take, now.where());
  for (const take of place.querySelectorAll("[data-take]")) {
    const at = where.get(take.dataset.take);
    for (const strip of take.querySelectorAll("[data-strip]")) {
      const [from, to] = range(strip);
      const hand = strip.querySelector(".hand");
      hand.classList.toggle("on", at !== undefined && at >= from && at <= to);
      if (at !== undefined) hand.style.left = share(at, from, to);
    }
    for (const button of take.querySelectorAll("[data-do=split]")) {
      const { start, end } = songOf(button).dataset;
      button.disabled = !(at > Number(start) + SHORTEST_S && at < Number(end) - SHORTEST_S);
    }
    const add = take.querySelector("[data-do=add]");
    add.disabled = at === undefined || [...take.querySelectorAll("[data-song]:not([data-song=whole])")]
      .some(({ dataset }) => at >= Number(dataset.start) && at < Number(dataset.end));
    const slider = take.querySelector(".place");
    if (at !== undefined && !slider.matches(":active")) {
      slider.value = at;
      slider.setAttribute("aria-valuetext", clock(at));
    }
    take.querySelector("[data-do=play-take]").setAttribute("aria-pressed",
      String(now?.owner.take === take.dataset.take && now.owner.whole === true));
  }
}

function start(take, from, until, says, whole = false) {
  const number = take.dataset.take;
  play({
    owner: { take: number, says, whole },
    lanes: [{ url: (piece) => `/sound/take/${number}/${piece}` }],
    from: Math.min(from, Number(take.dataset.seconds) - 0.1),
    until,
  });
}

// ---- what is changed

function send(control, path, values) {
  const take = takeOf(control);
  const song = songOf(control);
  // What it was goes along, so that a page that is out of date changes no other song.
  const [begins, ends] = song ? JSON.parse(song.dataset.was || JSON.stringify([song.dataset.start, song.dataset.end])) : [];
  const meant = song && song.dataset.song !== "whole"
    ? { song: Number(song.dataset.song), was_start: Number(begins), was_end: Number(ends) } : {};
  return change(control, path, { take: Number(take.dataset.take), ...meant, ...values });
}

place.addEventListener("click", (event) => {
  const take = takeOf(event.target);
  if (!take || event.target.closest("a, [data-edge]")) return;
  const song = songOf(event.target);
  const button = event.target.closest("button[data-do]");
  const seconds = Number(take.dataset.seconds);
  if (!button) {
    const strip = event.target.closest("[data-strip]");
    if (!strip) return;
    const [from, to] = range(strip);
    const box = strip.getBoundingClientRect();
    const at = from + Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1) * (to - from);
    start(take, at, seconds, song?.dataset.title || "The take", !song);
    return;
  }
  const at = where.get(take.dataset.take);
  const { start: begins, end: ends, title } = song?.dataset || {};
  ({
    "play-take": () => {
      if (button.getAttribute("aria-pressed") === "true") stop();
      else start(take, at !== undefined && at < seconds - 1 ? at : 0, seconds, "The take", true);
    },
    "play-start": () => start(take, Number(begins), Number(ends), title),
    "play-end": () => start(take, Math.max(Number(begins), ends - BEFORE_END_S), Number(ends), `the end of ${title}`),
    add: () => send(button, "/songs/add", { at }),
    find: () => send(button, "/songs/find", {}),
    split: () => send(button, "/songs/split", { at }),
    right: () => send(button, "/songs/right", {}),
    join: () => send(button, "/songs/join", {}),
    keep: () => send(button, "/songs/keep", { keep: button.dataset.keep === "true" }),
  })[button.dataset.do]();
});

place.addEventListener("input", ({ target }) => {
  if (!target.matches(".place")) return;
  const take = takeOf(target);
  const at = Number(target.value);
  const now = playing();
  where.set(take.dataset.take, at);
  target.setAttribute("aria-valuetext", clock(at));
  if (now?.owner.take === take.dataset.take) start(take, at, Number(take.dataset.seconds), "The take", true);
  else show(now);
});

whenTyped(place, (field) => send(field, "/songs/title", { title: field.value }));

// ---- edges

function points(edge) {
  return JSON.parse(takeOf(edge).dataset[edge.dataset.edge === "start" ? "starts" : "ends"]);
}

// Moves an edge on the page; the recipe learns of it when it is let go.
function move(edge, at, snapS) {
  const song = songOf(edge);
  const { start: begins, end: ends } = song.dataset;
  const isStart = edge.dataset.edge === "start";
  const low = isStart ? 0 : Number(begins) + SHORTEST_S;
  const high = isStart ? Number(ends) - SHORTEST_S : Number(takeOf(edge).dataset.seconds);
  let to = tenths(Math.min(Math.max(at, low), high));
  const [near, because] = points(edge).filter(([point]) => point >= low && point <= high)
    .sort(([one], [other]) => Math.abs(one - to) - Math.abs(other - to))[0] || [];
  let why = "set by hand";
  if (near !== undefined && Math.abs(near - to) <= Math.max(snapS, 0.05)) {
    to = near;
    why = because;
  }
  song.dataset[edge.dataset.edge] = to;
  edge.setAttribute("aria-valuenow", to);
  edge.setAttribute("aria-valuetext", `${clock(to)}, ${why}`);
  const bubble = song.querySelector(".bubble");
  bubble.hidden = false;
  bubble.textContent = `${clock(to)}, ${why}`;
  bubble.style.left = edge.style.left;
  bubble.classList.toggle("leftwards", !isStart);
  draw(song);
  bubble.style.left = edge.style.left;
}

const timesOf = (song) => JSON.stringify([song.dataset.start, song.dataset.end]);

function hold(edge) {
  edge.taken = true;
  if (place.dataset.held === edge.id) return;
  place.dataset.held = edge.id;
  songOf(edge).dataset.was = timesOf(songOf(edge));
}

async function letGo(edge) {
  clearTimeout(edge.still);
  if (place.dataset.held !== edge.id) return;
  edge.taken = false;
  const song = songOf(edge);
  song.querySelector(".bubble").hidden = true;
  // It may be moved on while this is written down, and is looked at again then.
  if (edge.writing) return;
  edge.writing = true;
  const times = timesOf(song);
  const [start, end] = JSON.parse(times).map(Number);
  if (times === song.dataset.was || await send(edge, "/songs/edges", { start, end })) song.dataset.was = times;
  else back(edge);
  edge.writing = false;
  if (edge.taken) return;
  if (song.dataset.was && song.dataset.was !== timesOf(song)) {
    letGo(edge);
    return;
  }
  delete song.dataset.was;
  delete place.dataset.held;
  refresh("songs");
}

function back(edge) {
  const song = songOf(edge);
  [song.dataset.start, song.dataset.end] = JSON.parse(song.dataset.was);
  delete song.dataset.was;
  song.querySelector(".bubble").hidden = true;
  draw(song);
}

place.addEventListener("pointerdown", (event) => {
  const edge = event.target.closest("[data-edge]");
  if (!edge || event.button) return;
  event.preventDefault();
  edge.focus({ preventScroll: true });
  edge.setPointerCapture(event.pointerId);
  hold(edge);
});
place.addEventListener("pointermove", (event) => {
  const edge = event.target.closest("[data-edge]");
  if (!edge || !edge.hasPointerCapture(event.pointerId)) return;
  const strip = edge.closest("[data-strip]");
  const [from, to] = range(strip);
  const box = strip.getBoundingClientRect();
  const perPx = (to - from) / box.width;
  move(edge, from + (event.clientX - box.left) * perPx, event.altKey ? 0 : SNAP_PX * perPx);
});
for (const kind of ["pointerup", "pointercancel"]) {
  place.addEventListener(kind, (event) => {
    const edge = event.target.closest("[data-edge]");
    if (edge) letGo(edge);
  });
}
place.addEventListener("keydown", (event) => {
  const edge = event.target.closest("[data-edge]");
  if (!edge) return;
  const at = Number(songOf(edge).dataset[edge.dataset.edge]);
  const step = event.shiftKey ? 1 : 0.1;
  const next = points(edge).map(([point]) => point);
  const to = {
    ArrowLeft: at - step,
    ArrowDown: at - step,
    ArrowRight: at + step,
    ArrowUp: at + step,
    PageUp: next.find((point) => point > at + 0.05),
    PageDown: next.findLast((point) => point < at - 0.05),
  }[event.key];
  if (to !== undefined) {
    event.preventDefault();
    hold(edge);
    move(edge, to, 0);
    clearTimeout(edge.still);
    edge.still = setTimeout(() => letGo(edge), STILL_MS);
  } else if (event.key === "Enter") {
    letGo(edge);
  } else if (event.key === "Escape" && place.dataset.held === edge.id) {
    event.stopPropagation();
    clearTimeout(edge.still);
    back(edge);
    delete place.dataset.held;
  }
});
place.addEventListener("focusout", (event) => {
  const edge = event.target.closest("[data-edge]");
  if (edge) letGo(edge);
});

place.addEventListener("dressed", dress);
watch(show);
dress();
