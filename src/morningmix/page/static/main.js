// What the whole page shares: what the server tells, the bar at the foot, the recipe's drawer.

import { change, refresh, tell } from "./asking.js";
import { Left } from "./left.js";
import { playing, stop, volume, watch } from "./player.js";
import "./who.js";
import "./songs.js";
import "./turn.js";
import "./send.js";
import "./films.js";

const byId = (id) => document.getElementById(id);
const minutes = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;

// ---- what the server tells

const parts = [...document.querySelectorAll("[data-part]")].map((place) => place.dataset.part);
const events = new EventSource("/events");
let lost = false;
let soon = 0;
let work = null; // how far it is
const seconds = () => performance.now() / 1000;

events.addEventListener("open", () => {
  if (lost) parts.forEach(refresh);
  if (lost) tell("");
  lost = false;
});
events.addEventListener("error", () => {
  lost = true;
  tell("The program is not answering. Is it still running in the terminal?", true);
});
events.addEventListener("changed", () => parts.forEach(refresh));
events.addEventListener("note", (event) => tell(JSON.parse(event.data).says));
events.addEventListener("work", (event) => {
  const { running, step, fraction, left_s: left, problem } = JSON.parse(event.data);
  document.body.dataset.working = running;
  // What takes no time is not worth a bar.
  clearTimeout(soon);
  if (!running) byId("work").hidden = true;
  else if (byId("work").hidden) soon = setTimeout(() => { byId("work").hidden = false; }, 400);
  if (running) {
    const words = step || "";
    byId("work-says").textContent = `${words.charAt(0).toUpperCase()}${words.slice(1)}`;
    work ||= new Left();
    work.report(fraction, left, seconds());
    showWork();
  } else {
    work = null;
  }
  if (problem) tell(problem, true);
});
function showWork() {
  if (!work) return;
  const { bar, words } = work.at(seconds());
  byId("work-bar").value = bar;
  byId("work-left").textContent = words;
}
setInterval(showWork, 500);

// ---- the bar at the foot

byId("stop").addEventListener("click", stop);
byId("volume").addEventListener("input", () => {
  const db = Number(byId("volume").value);
  byId("volume").setAttribute("aria-valuetext", `${db} dB`.replace("-", "minus "));
  volume(db);
});
byId("volume").dispatchEvent(new Event("input"));
watch((now) => {
  byId("stop").disabled = !now;
  const words = now ? `${now.owner.says}, ${minutes(now.where())}` : "Nothing is playing.";
  if (byId("playing").textContent !== words) byId("playing").textContent = words;
});
document.addEventListener("keydown", (event) => {
  if (event.key !== "Escape") return;
  if (playing()) stop();
  else if (!drawer.hidden) byId("drawer-button").click();
});

// ---- the recipe's drawer

const drawer = byId("drawer");
byId("drawer-button").addEventListener("click", () => {
  drawer.hidden = !drawer.hidden;
  byId("drawer-button").setAttribute("aria-expanded", String(!drawer.hidden));
  if (!drawer.hidden) refresh("drawer");
});
drawer.addEventListener("click", (event) => {
  const button = event.target.closest("[data-undo]");
  if (button) change(button, "/changes/undo", { number: Number(button.dataset.undo) });
});
function label() {
  const count = drawer.querySelectorAll(".changes > li").length;
  const button = byId("drawer-button");
  button.textContent = count ? `Recipe (${count})` : "Recipe";
  button.setAttribute("aria-label", count ? `Recipe: ${count} ${count === 1 ? "change" : "changes"}` : "Recipe");
}
drawer.addEventListener("dressed", label);
label();
