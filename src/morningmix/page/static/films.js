// The last step: find films of a camera in the take, watch them with the mix, set their sound a picture earlier or later.

import { change, sayAt } from "./asking.js";
import { Picture } from "./picture.js";

const place = document.getElementById("films");
const byId = (id) => document.getElementById(id);
let room = false;
let path = "";

const kept = new Map(); // by its id: a picture that stays as it is, and plays on, while the part is loaded again

function dress() {
  for (const fresh of place.querySelectorAll("video")) {
    let picture = kept.get(fresh.id);
    if (picture?.address === fresh.dataset.address) {
      const focused = document.activeElement === fresh;
      fresh.replaceWith(picture.video);
      if (focused) picture.video.focus({ preventScroll: true });
    } else {
      const at = picture?.video.currentTime || 0;
      picture = new Picture(fresh, at);
      kept.get(fresh.id)?.gone();
      kept.set(fresh.id, picture);
    }
    picture.loudness(Number(byId("volume").value));
    picture.scenes = JSON.parse(fresh.dataset.scenes || "[]");
  }
  for (const [id, picture] of kept) {
    if (picture.video.isConnected) continue;
    picture.gone();
    kept.delete(id);
  }
  if (byId("films-room")) byId("films-room").checked = room;
  if (byId("films-path")) byId("films-path").value = path;
}
place.addEventListener("dressed", dress);
byId("volume").addEventListener("input", ({ target }) => {
  for (const picture of kept.values()) picture.loudness(Number(target.value));
});
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
    earlier: () => change(button, "/films/nudge", { place: clip(), later: false }),
    later: () => change(button, "/films/nudge", { place: clip(), later: true }),
    remove: () => change(button, "/films/remove", { place: clip() }),
    scene: () => kept.get(`watch-${clip()}`).from(Number(button.dataset.at)),
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
