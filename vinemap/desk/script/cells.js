// A table whose cells are kept as they are typed, each before the next; nothing that was typed is let go until the desk
// has said that it is on the disk.

import { byId, make } from "../../web/script/dom.js";
import { t } from "../../web/script/words.js";
import { answered, say, unreachable, unsay } from "./said.js";

const PAUSE_MS = 500;

export function keepCells(form) {
  const base = JSON.parse(form.elements.base.value);
  const waiting = new Map();
  let sending = false;
  let pause = null;

  const placeOf = (input) => input.name.split("-").slice(1).map(Number);
  const kept = ([row, column]) => base[row]?.[column] ?? "";

  form.addEventListener("input", ({ target }) => {
    note(target);
    unsay();
    clearTimeout(pause);
    pause = setTimeout(send, PAUSE_MS);
  });
  form.addEventListener("change", ({ target }) => { note(target); send(); });
  form.addEventListener("keydown", move);
  form.addEventListener("submit", (event) => { event.preventDefault(); send(); });
  window.addEventListener("beforeunload", (event) => { if (waiting.size) event.preventDefault(); });
  for (const input of form.querySelectorAll("td input")) note(input); // what the browser kept through a crash
  send();

  function note(input) {
    if (!input.name?.startsWith("cell-")) return;
    if (input.value === kept(placeOf(input))) waiting.delete(input.name);
    else waiting.set(input.name, input);
    input.parentNode.classList.toggle("waiting", waiting.has(input.name));
  }

  async function send() {
    if (sending) return;
    sending = true;
    try {
      while (waiting.size) {
        const input = waiting.values().next().value;
        await keep(input);
      }
    } catch {
      unreachable(send);
    } finally {
      sending = false;
    }
  }

  async function keep(input) {
    const [row, column] = placeOf(input);
    const value = input.value;
    const asked = { file: form.dataset.file, row, column, was: kept([row, column]), value };
    const answer = await fetch(form.dataset.cell, {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(asked),
    });
    if (answer.status === 409) return differ(input, (await answer.json()).there);
    if (!answer.ok) throw new Error(String(answer.status));
    answered();
    (base[row] ??= [])[column] = value;
    note(input);
    input.parentNode.classList.add("changed");
    byId("save-bar").hidden = false;
    if (!waiting.size) say(t("cells.kept"));
    return null;
  }

  // Another tab typed there: both are shown, and the next thing typed here counts.
  function differ(input, there) {
    const [row, column] = placeOf(input);
    (base[row] ??= [])[column] = there;
    waiting.delete(input.name);
    input.parentNode.querySelector(".differs")?.remove();
    const mine = input.value;
    const take = make("button", { type: "button", class: "plain small", onclick: () => { input.value = mine; done(); } }, t("cells.mine", { value: mine }));
    const leave = make("button", { type: "button", class: "plain small", onclick: () => { input.value = there; done(); } }, t("cells.theirs", { value: there }));
    const box = make("div", { class: "differs", role: "alert" }, make("p", {}, t("cells.differ")), take, leave);
    input.parentNode.append(box);
    function done() {
      box.remove();
      note(input);
      input.focus();
      input.blur();
      send();
    }
  }

  function move(event) {
    const step = { ArrowUp: -1, ArrowDown: 1, Enter: 1 }[event.key];
    if (!step || !event.target.name?.startsWith("cell-")) return;
    event.preventDefault();
    const row = event.target.closest("tr");
    const next = step > 0 ? row.nextElementSibling : row.previousElementSibling;
    next?.children[event.target.closest("td").cellIndex].querySelector("input").focus();
  }
}
