// Start: open the store, show what it holds, then the board.

import { ICONS, byId, icon, make } from "../../web/script/dom.js";
import { copy, save, shareable, tidy } from "../../web/script/hand.js";
import { kept, openStore, store } from "../../web/script/store.js";
import { label, number, t, words } from "../../web/script/words.js";
import { enter, isComplete, place, say } from "./board.js";
import { keepSlice, openBeside } from "./beside.js";
import { choice } from "./choice.js";
import { data } from "./data.js";
import { clearAll, hand, handWood, load, set, settings } from "./menu.js";
import { addToPlan, allSamples, nextSample } from "./plan.js";
import { addSample, listFound, listSamples, stepSample } from "./samples.js";
import { note, settle } from "./status.js";
import { log } from "./tally.js";
import { refused } from "./turns.js";
import { layBuds, moveToDue, openSample, pressed, stepCane, stepNode, undo } from "./work.js";

function speak() {
  words.language = choice.language;
  document.documentElement.lang = words.language;
  document.title = t("title", { name: data.name });
  for (const head of document.querySelectorAll(".vineyard")) head.textContent = data.name;
  label();
  for (const list of document.querySelectorAll("[data-list]")) {
    const { list: head } = list.dataset;
    const keys = Object.keys(words.texts.en).filter((key) => key.startsWith(`${head}.`));
    list.replaceChildren(...keys.map((key) => make("li", {}, t(key))));
  }
  explain();
  settings();
  layBuds();
  settle();
}

function explain() {
  const meaning = t("figures.text", { confidence: number(data.confidence, data.confidence % 1 ? 1 : 0) });
  byId("figures-text").textContent = [meaning, t(`correlation.${data.rho_from}`, { rho: number(data.rho, 2) })].join(" ");
}

function begin() {
  const samples = allSamples();
  if (!samples.length) return listSamples();
  enter();
  openSample(samples.includes(place.sample) ? place.sample : nextSample(null) ?? samples[0]);
}

function wire() {
  const on = (id, act) => byId(id).addEventListener("click", act);
  for (const [id, path] of Object.entries({ "open-menu": ICONS.menu, "open-beside": ICONS.slice, "cane-less": ICONS.minus, "cane-more": ICONS.plus, "node-less": ICONS.back, "node-more": ICONS.forward })) byId(id).append(icon(path));
  for (const button of document.querySelectorAll("dialog .close")) {
    button.append(icon(ICONS.close));
    button.addEventListener("click", () => button.closest("dialog").close());
  }
  on("begin", begin);
  on("choose", listSamples);
  on("open-menu", () => { note("save.hint"); byId("menu").showModal(); });
  on("cane-less", () => stepCane(-1));
  on("cane-more", () => stepCane(1));
  on("node-less", () => stepNode(-1));
  on("node-more", () => stepNode(1));
  on("undo", undo);
  on("next-cane", () => stepCane(1));
  on("next-sample", stepSample);
  for (const id of ["save", "trouble-save"]) on(id, () => hand(save));
  on("copy", () => hand((_, text) => copy(text)));
  on("share", () => hand((name, text) => navigator.share(shareable(name, text))));
  on("open-beside", openBeside);
  on("keep-slice", keepSlice);
  on("save-wood", () => handWood(save));
  on("new-survey", () => byId("fresh").showModal());
  on("clear", clearAll);
  byId("share").hidden = !shareable("buds.csv", "");
  byId("vibration-missing").hidden = Boolean(navigator.vibrate);
  byId("find").addEventListener("input", () => listFound(byId("find").value));
  byId("add").addEventListener("submit", addSample);
  byId("reader").value = choice.reader;
  byId("reader").addEventListener("change", () => set("reader", tidy(byId("reader").value)));
  for (const input of document.querySelectorAll('input[type="file"]')) input.addEventListener("change", () => load(input));
  document.addEventListener("keydown", pressed);
}

// Another tab has written: where it has read the node on this screen, this screen goes on to the next.
function changedElsewhere() {
  const { sample, cane, node } = place;
  if (place.open && isComplete(sample, cane, node)) {
    moveToDue(sample, cane);
    say("said.other", { sample, cane, node });
  }
  settle();
}

async function start() {
  words.texts = data.texts;
  words.changed = speak;
  choice.language = data.language;
  addToPlan(data.samples);
  try {
    await openStore(`vinemap bench ${data.name}`, log);
    Object.assign(choice, await kept("choice", {}));
    addToPlan(await kept("plan", []));
    place.sample = (await kept("place", {})).sample ?? null;
  } catch (error) {
    speak();
    byId("start").hidden = true;
    byId("no-store").hidden = false;
    byId("no-store-why").textContent = error.name;
    return;
  }
  store.changed = changedElsewhere;
  store.lost = () => refused(new DOMException("", "InvalidStateError"));
  wire();
  speak();
  byId("start").hidden = false;
  document.documentElement.dataset.taken = String(log.last);
  document.documentElement.dataset.ready = "yes";
}

start();
