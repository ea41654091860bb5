// Ask the server for changes and for parts of the page, and say what came of it where somebody pressed.

const gone = "The program has stopped. Start it again in the terminal: morningmix open";

export async function ask(path, values) {
  let answer;
  try {
    answer = await fetch(path, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(values),
    });
  } catch {
    return { problem: gone };
  }
  try {
    return await answer.json();
  } catch {
    return { problem: await answer.text().catch(() => gone) || gone };
  }
}

// Says words right behind a control, once; a problem looks like one and is read out at once.
export function sayAt(control, words, isProblem = false) {
  const home = control.closest("[data-said]") || control.closest(".card, .row, li, section") || control.parentElement;
  for (const old of home.querySelectorAll(":scope > .said")) old.remove();
  const said = document.createElement("p");
  said.className = isProblem ? "said problem" : "said";
  said.setAttribute("role", isProblem ? "alert" : "status");
  said.textContent = words;
  let place = control;
  while (place.parentElement !== home) place = place.parentElement;
  place.after(said);
  // What is longer takes longer to read.
  if (!isProblem) setTimeout(() => said.remove(), Math.max(6000, 80 * words.length));
}

let written = Promise.resolve(); // when every change asked for so far is made or refused

// Asks for a change and says at the control what was done; true where it was. Changes are made in the order asked for.
export async function change(control, path, values) {
  written = written.then(() => ask(path, values));
  const answer = await written;
  sayAt(control, answer.problem || answer.says, Boolean(answer.problem));
  return !answer.problem;
}

const TYPED = "input[type=text], textarea";
const FOCUSED = "button, select, input, textarea, a, summary, [tabindex]";
let replacing = false;

// Calls back with a field when somebody has written something else into it and left it, or pressed Enter.
export function whenTyped(place, written) {
  const look = (field) => {
    if (replacing || !field.matches(TYPED) || field.value === (field.dataset.sent ?? field.defaultValue)) return;
    field.dataset.sent = field.value;
    written(field);
  };
  place.addEventListener("focusout", (event) => look(event.target));
  place.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target.matches("input")) look(event.target);
  });
}

const shown = new Map(); // by place: its HTML as it was loaded
const loading = new Map(); // by part: whether it is to be loaded once more

// Loads a part of the page again. What somebody is writing stays, and so does where they are.
export async function refresh(part) {
  const place = document.querySelector(`[data-part="${part}"]`);
  // What somebody is holding is not taken out of their hand.
  if (!place || place.dataset.held) return;
  if (loading.has(part)) {
    loading.set(part, true);
    return;
  }
  loading.set(part, false);
  place.setAttribute("aria-busy", "true");
  try {
    let answer;
    let known;
    // What does not know of the last change yet would take it back before somebody's eyes.
    do {
      known = written;
      await known;
      answer = await fetch(`/part/${part}`);
    } while (known !== written);
    if (!answer.ok) {
      tell((await answer.json()).problem, true);
      return;
    }
    const html = await answer.text();
    if (place.dataset.held || shown.get(place) === html) return;
    shown.set(place, html);
    const active = document.activeElement;
    const inside = [];
    if (place.contains(active)) for (let one = active; one !== place; one = one.parentElement) if (one.id) inside.push(one.id);
    const typed = inside.length && active.matches(TYPED) && active.value !== active.defaultValue
      ? [active.value, active.selectionStart, active.selectionEnd] : null;
    const said = [...place.querySelectorAll(".said")].map((one) => [one, one.parentElement.id]);
    const parsed = new DOMParser().parseFromString(html, "text/html");
    replacing = true;
    place.replaceChildren(...parsed.body.childNodes);
    replacing = false;
    for (const [one, home] of said) {
      const there = home && document.getElementById(home);
      if (there) there.append(one);
      else tell(one.textContent, one.classList.contains("problem"));
    }
    // What had the focus may be gone: then the nearest thing to it has it.
    const near = inside.map((id) => document.getElementById(id)).find(Boolean);
    const again = near?.matches(FOCUSED) ? near : near?.querySelector(FOCUSED);
    if (again) {
      again.focus({ preventScroll: true });
      if (typed && again.id === active.id) {
        [again.value] = typed;
        again.setSelectionRange(typed[1], typed[2]);
      }
    }
    place.dispatchEvent(new CustomEvent("dressed", { bubbles: true }));
  } catch {
    tell(gone, true);
  } finally {
    const again = loading.get(part);
    loading.delete(part);
    place.removeAttribute("aria-busy");
    if (again) refresh(part);
  }
}

export function tell(words, isProblem = false) {
  const told = document.getElementById("told");
  told.textContent = words;
  told.classList.toggle("problem", isProblem);
}
