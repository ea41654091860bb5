// The last step: find films of a camera in the take, watch them with the mix, set their sound a picture earlier or later.

import { change, sayAt } from "./asking.js";

const place = document.getElementById("films");
const byId = (id) => document.getElementById(id);
let room = false;
let path = "";

const watched = new Map(); // by number of the film: where somebody is in it

function dress() {
  for (const video of place.querySelectorAll("video[data-film]")) {
    const { film, written } = video.dataset;
    video.src = `/films/${film}?${written}`;
    if (watched.has(film)) video.currentTime = watched.get(film);
    video.addEventListener("timeupdate", () => watched.set(film, video.currentTime));
    loudness(video);
  }
  if (byId("films-room")) byId("films-room").checked = room;
  if (byId("films-path")) byId("films-path").value = path;
}
function loudness(video) {
  video.volume = 10 ** (Number(byId("volume").value) / 20);
}
place.addEventListener("dressed", dress);
byId("volume").addEventListener("input", () => place.querySelectorAll("video").forEach(loudness));
dress();

place.addEventListener("input", ({ target }) => {
  if (target.id === "films-room") room = target.checked;
  if (target.id === "films-path") path = target.value;
});

async function add(control) {
  if (!path.trim()) {
    sayAt(control, "Give the path of a film first.", true);
    return;
  }
  if (!await change(control, "/films/add", { file: path })) return;
  path = "";
  byId("films-path").value = "";
}

place.addEventListener("click", ({ target }) => {
  const button = target.closest("button[data-do]");
  if (!button) return;
  const clip = () => Number(button.closest("[data-place]").dataset.place);
  ({
    add: () => add(button),
    earlier: () => change(button, "/films/nudge", { place: clip(), later: false, room }),
    later: () => change(button, "/films/nudge", { place: clip(), later: true, room }),
    remove: () => change(button, "/films/remove", { place: clip() }),
    write: () => change(button, "/films/write", { room }),
  })[button.dataset.do]();
});
place.addEventListener("keydown", (event) => {
  if (event.key === "Enter" && event.target.id === "films-path") add(byId("films-add"));
});

// Some browsers say where a dropped file lies, most do not.
place.addEventListener("drop", (event) => {
  const control = byId("films-add");
  if (!control) return;
  const [address] = event.dataTransfer.getData("text/uri-list").split(/[\r\n]+/);
  if (!address.startsWith("file://")) {
    sayAt(control, "This browser does not say where the file lies. Paste its path.", true);
    return;
  }
  path = decodeURIComponent(new URL(address).pathname).replace(/^\/([A-Za-z]:)/, "$1");
  byId("films-path").value = path;
  add(control);
});
