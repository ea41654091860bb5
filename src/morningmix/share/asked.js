// What a person asked for, kept where the browser allows it.

const labelOf = (part) => (part.player ? `${part.name} (${part.player})` : part.name);
const named = (name) => labelOf(song.parts.find((part) => part.name === name) || { name });

const KEY = `morningmix ${song.mix}`;
const asked = {
  name: "", faders: {}, tones: {}, stretches: [], notes: [],
  practice: { open: false, me: "", level: 0, speed: 100, click: false, count: false, beats: 4, bars: 4 },
};
try {
  const before = JSON.parse(localStorage.getItem(KEY) || "{}");
  Object.assign(asked, before, { practice: { ...asked.practice, ...before.practice } });
} catch { /* a private window keeps nothing */ }
const keep = () => {
  try { localStorage.setItem(KEY, JSON.stringify(asked)); } catch { /* as above */ }
};
const muted = new Set();
const alone = new Set();

