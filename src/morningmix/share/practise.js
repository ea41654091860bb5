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
const CLICK_HZ = [1800, 1200]; // of a bar's first beat, and of the others
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

// A click, the same at every speed.
const clickOf = (rate, accent) => Float32Array.from({ length: Math.round(CLICK_S * rate) }, (_, i) => {
  const at = i / rate;
  return 0.5 * Math.min(1, at / 0.002, (CLICK_S - at) / 0.01) * Math.sin(2 * Math.PI * CLICK_HZ[Number(!accent)] * at);
});

// It goes past all faders.
function clickAt(when, accent) {
  const source = context.createBufferSource();
  const edge = context.createGain();
  source.buffer = context.createBuffer(1, Math.round(CLICK_S * context.sampleRate), context.sampleRate);
  source.buffer.copyToChannel(clickOf(context.sampleRate, accent), 0);
  source.connect(edge).connect(graph.out);
  source.start(when);
  remember(source, edge);
}

function clickAlong(from, to, at) {
  if (!practising() || !mine.click) return;
  for (const beat of beats) if (beat >= from - 1e-6 && beat < to) clickAt(at + beat - from, false);
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
  clicks.forEach((at, number) => clickAt(when + at, number === 0));
  return when + lasts;
}

// ---- what is seen of it

function practice() {
  byId("practise").textContent = mine.open ? "Stop practising" : "Start practising";
  byId("practising").hidden = !mine.open;
  byId("me").value = mine.me;
  byId("me-level").disabled = mine.me === "";
  byId("me-level").value = mine.level;
  const says = mine.me === "" ? "first say who you are" : mine.level <= OUT ? "me out" : mine.level === 0 ? "as in the mix" : `me ${shown(mine.level)}`;
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
    tell(`${playing ? "Looping" : "Play loops"} ${mine.bars === 1 ? "one bar" : `${mine.bars} bars`} from ${clock(stretch.from)}.`);
    go(stretch.from);
  });
}
