// One song as it was played twice: what plays is one of the two, and the same beat of the other is known.
//
// A place is {stretch, at}: one of the parts that both have, and seconds in the one that is heard.

const { times, stretches } = song;
let heard = 1;
let playing = false;
let rest = { stretch: 0, at: stretches[0][heard][0] };
let next = null; // what is handed over next: a place, and when it is due
let handed = []; // what was handed over: {when, until, stretch, at}
let out = null;
const buses = [];
const kept = new Map();
let turn = 0; // counts starts and stops, so that what was begun before one ends by itself

const begins = (stretch, of) => stretches[stretch][of][0];
const ends = (stretch, of) => stretches[stretch][of][stretches[stretch][of].length - 1];

// The same beat of the other, and as far between it and the next.
function across(place, from, to) {
  const [here, there] = [stretches[place.stretch][from], stretches[place.stretch][to]];
  let beat = here.findIndex((each, index) => index > 0 && each > place.at);
  if (beat < 0) beat = here.length - 1;
  const share = Math.min(Math.max((place.at - here[beat - 1]) / (here[beat] - here[beat - 1]), 0), 1);
  return { stretch: place.stretch, at: there[beat - 1] + share * (there[beat] - there[beat - 1]) };
}

// The place at a time of one of the two; in a part that is skipped, the beginning of what follows it.
function placeAt(seconds, of) {
  let stretch = stretches.findIndex((_, index) => seconds < ends(index, of));
  if (stretch < 0) stretch = stretches.length - 1;
  return { stretch, at: Math.min(Math.max(seconds, begins(stretch, of)), ends(stretch, of)) };
}

const isEnd = ({ stretch, at }) => stretch === stretches.length - 1 && at >= ends(stretch, heard) - 0.02;

// ---- sound

const volume = () => gain(Number(byId("volume").value));

let waking = null;
function wake() {
  waking ||= (async () => {
    await openSound();
    out = context.createGain();
    out.gain.value = 0;
    out.connect(context.destination);
    times.forEach((time, of) => {
      buses[of] = context.createGain();
      buses[of].gain.value = time.gain;
      buses[of].connect(out);
    });
  })();
  return waking;
}

function piece(of, number) {
  const key = `${of} ${number}`;
  if (!kept.has(key)) kept.set(key, cut(times[of], number));
  return kept.get(key);
}

// Decodes what is due soon in both, so that a switch is heard at once, and forgets the rest.
function keepNear(place) {
  const wanted = new Set();
  for (const of of [0, 1]) {
    const number = Math.floor(across(place, heard, of).at / PIECE);
    for (const near of [number, number + 1]) if (near < times[of].pieces.length) wanted.add(`${of} ${near}`);
  }
  if (next) wanted.add(`${heard} ${Math.floor(next.at / PIECE)}`);
  for (const key of kept.keys()) if (!wanted.has(key)) kept.delete(key);
  for (const key of wanted) piece(...key.split(" ").map(Number));
}

let pumping = false;
async function pump() {
  if (pumping || !playing || !next) return;
  pumping = true;
  const mine = turn;
  while (mine === turn && next && next.when < context.currentTime + AHEAD) {
    const number = Math.floor(next.at / PIECE + 1e-9);
    const decoded = await piece(heard, number);
    if (mine !== turn) break;
    next.when = Math.max(next.when, context.currentTime + 0.02);
    const last = ends(next.stretch, heard);
    const end = Math.min((number + 1) * PIECE, last);
    const after = end < last ? { stretch: next.stretch, at: end }
      : next.stretch + 1 < stretches.length ? { stretch: next.stretch + 1, at: begins(next.stretch + 1, heard) } : null;
    const goesOn = after !== null && Math.abs(after.at - end) < 1e-3;
    const whole = end === (number + 1) * PIECE;
    const seconds = end - next.at;
    const soft = { softStart: next.jumped, softEnd: !goesOn };
    const long = seconds + (whole && goesOn ? CROSS : 0);
    if (decoded) handOver(decoded, buses[heard], next.when, next.at - number * PIECE, long, soft);
    handed.push({ when: next.when, until: next.when + seconds, stretch: next.stretch, at: next.at });
    // Within a piece two stretches that follow each other meet at one sample.
    next = after && { ...after, when: next.when + seconds, jumped: !goesOn };
  }
  pumping = false;
  if (mine !== turn) { pump(); return; }
  keepNear(where());
  handed = handed.filter((part) => part.until > context.currentTime - 1);
}

function where(when) {
  if (!playing || !handed.length) return rest;
  const now = when ?? context.currentTime;
  let found = handed[0];
  for (const part of handed) if (part.when <= now) found = part;
  const at = found.at + Math.min(Math.max(now, found.when), found.until) - found.when;
  return { stretch: found.stretch, at };
}

function silence(when) {
  turn += 1;
  for (const { source, edge } of sources) {
    edge.gain.cancelScheduledValues(when);
    edge.gain.setTargetAtTime(0, when, 0.004);
    source.stop(when + 0.03);
  }
  handed = [];
  next = null;
}

function start(place, when) {
  next = { ...place, when, jumped: true };
  pump();
}

async function play() {
  if (isEnd(rest)) rest = { stretch: 0, at: begins(0, heard) };
  playing = true;
  turn += 1;
  const mine = turn;
  show();
  await wake();
  const silent = setTimeout(() => tell("This browser has no sound yet. Check that nothing else holds it, or use another."), 4000);
  await context.resume();
  clearTimeout(silent);
  keepNear(rest);
  await piece(heard, Math.floor(rest.at / PIECE));
  if (mine !== turn) return;
  const when = context.currentTime + 0.05;
  // Never with a jump, and never louder than the listener has chosen.
  out.gain.cancelScheduledValues(0);
  out.gain.setValueAtTime(0, context.currentTime);
  out.gain.linearRampToValueAtTime(volume(), when + 0.2);
  start(rest, when);
  follow();
}

function stop(place) {
  if (context) silence(context.currentTime);
  playing = false;
  rest = place;
  show();
}

function go(place) {
  const was = playing;
  if (was) stop(place);
  rest = place;
  if (was) play(); else show();
}

// To the same beat of the other: what plays goes on until the other is ready.
let switching = false;
async function switchOver() {
  const other = 1 - heard;
  if (!playing || !handed.length) {
    rest = across(where(), heard, other);
    heard = other;
    show();
    if (playing) { stop(rest); play(); }
    return;
  }
  if (switching) return;
  switching = true;
  const mine = turn;
  await piece(other, Math.floor(across(where(context.currentTime + 0.05), heard, other).at / PIECE));
  switching = false;
  if (mine !== turn) return;
  const when = context.currentTime + 0.03;
  const place = across(where(when), heard, other);
  silence(when);
  heard = other;
  rest = place;
  start(place, when);
  show();
}

// ---- what is seen

function show() {
  const place = where();
  times.forEach((time, of) => {
    const { at } = across(place, heard, of);
    const slider = byId(`place-${of}`);
    if (document.activeElement !== slider || playing) slider.value = at;
    slider.setAttribute("aria-valuetext", `${short(at)} of ${short(time.seconds)}`);
    byId(`time-${of}`).textContent = `${short(at)} of ${short(time.seconds)}`;
    byId(`hand-${of}`).style.left = `${(100 * at) / time.seconds}%`;
    byId(`heard-${of}`).textContent = of === heard ? "You hear this." : "";
  });
  byId("play").textContent = playing ? "Pause" : "Play";
  byId("switch").textContent = `Switch to ${times[1 - heard].name}`;
}

byId("play").addEventListener("click", () => { if (playing) stop(where()); else play(); });
byId("switch").addEventListener("click", switchOver);
for (const [id, by] of [["back", -5], ["forward", 5]]) {
  byId(id).addEventListener("click", () => {
    const { stretch, at } = where();
    const to = at + by;
    // Past an edge, on into the part before or after it.
    if (to < begins(stretch, heard) && stretch > 0) {
      go({ stretch: stretch - 1, at: Math.max(begins(stretch - 1, heard), ends(stretch - 1, heard) + to - begins(stretch, heard)) });
    } else if (to > ends(stretch, heard) && stretch + 1 < stretches.length) {
      go({ stretch: stretch + 1, at: Math.min(ends(stretch + 1, heard), begins(stretch + 1, heard) + to - ends(stretch, heard)) });
    } else go({ stretch, at: Math.min(Math.max(to, begins(stretch, heard)), ends(stretch, heard)) });
  });
}
times.forEach((_, of) => {
  byId(`place-${of}`).addEventListener("input", () => go(across(placeAt(Number(byId(`place-${of}`).value), of), of, heard)));
});
byId("volume").value = QUIET;
byId("volume").addEventListener("input", () => {
  byId("volume").setAttribute("aria-valuetext", shown(Number(byId("volume").value)));
  if (!out) return;
  out.gain.cancelScheduledValues(0);
  out.gain.setTargetAtTime(volume(), context.currentTime, 0.02);
});
setInterval(() => {
  if (!playing || !handed.length) return;
  pump();
  if (isEnd(where())) stop(where());
}, 100);
show();
