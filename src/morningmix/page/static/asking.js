// Ask the server for changes and for parts of the page, and say what came of it where somebody pressed.

const gone = "The page has lost its program. Start it again in the terminal: morningmix open";

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
  if (!isProblem) setTimeout(() => said.remove(), 6000);
}

// Asks for a change and says at the control what was done; true where it was.
export async function change(control, path, values) {
  const answer = await ask(path, values);
  sayAt(control, answer.problem || answer.says, Boolean(answer.problem));
  return !answer.problem;
}

const waiting = new Set();

// Loads a part of the page again. What somebody is writing stays, and so does where they are.
export async function refresh(part) {
  const place = document.querySelector(`[data-part="${part}"]`);
  if (!place || waiting.has(part)) return;
  waiting.add(part);
  try {
    const answer = await fetch(`/part/${part}`);
    if (!answer.ok) return;
    const html = await answer.text();
    const active = document.activeElement;
    const inside = place.contains(active) ? active.id : "";
    const typed = inside && active.matches("input[type=text], textarea") && active.value !== active.defaultValue
      ? active.value : null;
    const said = [...place.querySelectorAll(".said")].map((one) => [one, one.parentElement.id]);
    const parsed = new DOMParser().parseFromString(html, "text/html");
    place.replaceChildren(...parsed.body.childNodes);
    for (const [one, home] of said) if (home) document.getElementById(home)?.append(one);
    const again = inside && document.getElementById(inside);
    if (again) {
      if (typed !== null) again.value = typed;
      again.focus({ preventScroll: true });
    }
    place.dispatchEvent(new CustomEvent("dressed", { bubbles: true }));
  } catch {
    tell(gone, true);
  } finally {
    waiting.delete(part);
  }
}

export function tell(words, isProblem = false) {
  const told = document.getElementById("told");
  told.textContent = words;
  told.classList.toggle("problem", isProblem);
}
