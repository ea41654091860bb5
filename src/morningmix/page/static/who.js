// Step 1: play an input, and say what it is, what it is called and who plays it.

import { change, whenTyped } from "./asking.js";
import { play, playing, stop, watch } from "./player.js";

const LOUDEST_S = 10;
const place = document.getElementById("who");
const cardOf = (element) => element.closest("[data-input]");
const percent = (share) => `${100 * Math.min(Math.max(share, 0), 1)}%`;

function dress() {
  for (const card of place.querySelectorAll("[data-input]")) {
    const { seconds, loudest } = card.dataset;
    const mark = card.querySelector(".loudest");
    mark.style.left = percent(loudest / seconds);
    mark.style.width = percent(Math.min(LOUDEST_S, seconds) / seconds);
    mark.hidden = !card.querySelector("svg") || Number(seconds) <= LOUDEST_S;
  }
  show(playing());
}

function show(now) {
  for (const card of place.querySelectorAll("[data-input]")) {
    const mine = now?.owner.input === card.dataset.input;
    const hand = card.querySelector(".hand");
    hand.classList.toggle("on", Boolean(mine));
    if (mine) hand.style.left = percent(now.where() / card.dataset.seconds);
    for (const button of card.querySelectorAll("[data-play]")) {
      button.setAttribute("aria-pressed", String(Boolean(mine && now.owner.kind === button.dataset.play)));
    }
  }
}

function start(card, kind, from) {
  const { input, seconds, name } = card.dataset;
  const end = kind === "cleaned" ? "?cleaned=1" : "";
  play({
    owner: { input, kind, says: kind === "cleaned" ? `${name}, without the others` : name },
    lanes: [{ url: (piece) => `/sound/${input}/${piece}${end}`, gain: 10 ** (card.dataset.louderDb / 20) }],
    from: Math.min(from, Number(seconds)),
    until: Math.min(from + LOUDEST_S, Number(seconds)),
  });
}

place.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (button?.dataset.allRight !== undefined) change(button, "/who/all-right", {});
  if (button?.dataset.remember !== undefined) change(button, "/who/remember", { lesson: button.dataset.remember });
  const card = cardOf(event.target);
  if (!card) return;
  if (button?.dataset.play) {
    if (button.getAttribute("aria-pressed") === "true") stop();
    else start(card, button.dataset.play, Number(card.dataset.loudest));
  } else if (button?.dataset.right) {
    send(button, "/who/role", { role: button.dataset.right });
  } else if (event.target.closest("[data-hill]")) {
    const box = event.target.closest("[data-hill]").getBoundingClientRect();
    start(card, "recorded", Math.max(0, ((event.clientX - box.left) / box.width) * card.dataset.seconds));
  }
});

// The files go along, so that a card that is out of date changes nothing else.
function send(control, path, values) {
  const { input, files } = cardOf(control).dataset;
  return change(control, path, { input: Number(input), files, ...values });
}
function say(control) {
  const { change: path, key } = control.dataset;
  return send(control, path, { [key]: control.value });
}
whenTyped(place, say);
place.addEventListener("change", async ({ target }) => {
  if (!target.matches("select") || await say(target)) return;
  target.value = [...target.options].find((option) => option.defaultSelected).value;
});

place.addEventListener("dressed", dress);
watch(show);
dress();
