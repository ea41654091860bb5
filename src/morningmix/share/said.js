// Times and levels in words, and where the page says them.

const byId = (id) => document.getElementById(id);
const clock = (seconds) => {
  const tenths = Math.round(seconds * 10);
  const rest = String(Math.floor((tenths % 600) / 10)).padStart(2, "0");
  return `${Math.floor(tenths / 600)}:${rest}.${tenths % 10}`;
};
const short = (seconds) => clock(Math.floor(seconds)).slice(0, -2);
const signed = (db) => `${db > 0 ? "+" : ""}${db}`;
const shown = (db) => `${signed(db).replace("-", "−")} dB`;
const tell = (words) => { byId("told").textContent = words; };
