// Step 4: pack the songs, and take in what the band has sent back.

import { change, sayAt } from "./asking.js";

const place = document.getElementById("send");
const byId = (id) => document.getElementById(id);
const state = () => ({ wishes: byId("came").dataset.wishes });

// What is begun here and not yet sent stays while the part is loaded again.
const begun = { text: "", kind: "", left: new Set() };
const tickOf = (box) => box.closest("label").textContent.trim(); // its number changes when more wishes come in
place.addEventListener("input", ({ target }) => {
  if (target.id === "send-text") begun.text = target.value;
  if (target.id === "send-kind") begun.kind = target.value;
  if (target.dataset.tick && target.checked) begun.left.delete(tickOf(target));
  else if (target.dataset.tick) begun.left.add(tickOf(target));
});
place.addEventListener("dressed", () => {
  if (byId("send-text")) byId("send-text").value = begun.text;
  if (byId("send-kind") && begun.kind) byId("send-kind").value = begun.kind;
  for (const box of place.querySelectorAll("[data-tick]")) box.checked = !begun.left.has(tickOf(box));
});

async function add(control, text) {
  if (!text.trim()) {
    sayAt(control, "Paste a message first.", true);
    return;
  }
  if (!await change(control, "/send/add", { text }) || control.id !== "send-add") return;
  begun.text = "";
  byId("send-text").value = "";
}

async function take(files) {
  for (const file of files) {
    if (file.size > 200000) sayAt(byId("send-add"), `${file.name} is too long to be a list of wishes.`, true);
    else await add(byId("send-files"), await file.text());
  }
}

place.addEventListener("click", ({ target }) => {
  const button = target.closest("button[data-do]");
  if (!button) return;
  const one = () => ({ ...state(), place: Number(button.dataset.place) });
  ({
    pack: () => change(button, "/send/pack", { kind: Number(byId("send-kind").value) }),
    add: () => add(button, byId("send-text").value),
    merge: () => change(button, "/send/merge", {
      ...state(),
      ticked: [...place.querySelectorAll("[data-tick]:checked")].map(({ dataset }) => dataset.tick).join(" "),
    }),
    remove: () => change(button, "/send/remove", one()),
    anyway: () => change(button, "/send/anyway", one()),
  })[button.dataset.do]();
});
place.addEventListener("change", ({ target }) => {
  if (target.id === "send-files") take([...target.files]);
});

// Files are dropped on the step; anywhere else the browser would leave the page for them.
for (const kind of ["dragover", "drop"]) document.addEventListener(kind, (event) => event.preventDefault());
place.addEventListener("dragover", () => byId("came")?.classList.add("over"));
place.addEventListener("dragleave", () => byId("came")?.classList.remove("over"));
place.addEventListener("drop", (event) => {
  byId("came")?.classList.remove("over");
  if (byId("came")) take([...event.dataTransfer.files]);
});
