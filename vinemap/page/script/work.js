// The work, in order: a task a line, with its hours and days, and marks that stay on this device until they are sent.

import { byId, make } from "../../web/script/dom.js";
import { copy, fileName, save, shareable, tidy } from "../../web/script/hand.js";
import { append, keep, kept, openStore, store } from "../../web/script/store.js";
import { actionName, number, ofLanguage, t } from "../../web/script/words.js";
import { swatch } from "./charts.js";
import { actionColour } from "./colours.js";
import { controls } from "./controls.js";
import { blocks, data, jobs, zoneNumbered } from "./data.js";
import { boxOfAll } from "./geometry.js";
import { at, by, dues, facts, sums } from "./jobs.js";
import { legend } from "./legend.js";
import { fit, narrow } from "./map.js";
import { log, markOn, marksCsv, storeName, strays, unsent } from "./marks.js";
import { painters } from "./painter.js";
import { unfold } from "./panel.js";
import { state } from "./state.js";
import { placesOf, task, where } from "./tasks.js";

let initials = "";
let queue = Promise.resolve();

// Which of the two lists is shown.
function openTab(name) {
  for (const tab of byId("tabs").children) tab.setAttribute("aria-pressed", String(tab.value === name));
  byId("listed").hidden = name !== "blocks";
  byId("jobs").hidden = name !== "work";
}

export function tabs() {
  const shown = byId("jobs").hidden ? "blocks" : "work";
  byId("tabs").hidden = !jobs.length;
  byId("tabs").replaceChildren(...["blocks", "work"].map((name) => make("button", { type: "button", value: name, onclick: () => openTab(name) }, t(`tab.${name}`))));
  openTab(shown);
}

export function work() {
  const { crew, hours_a_day: hours, assumed } = data.work_terms;
  byId("jobs-hint").textContent = t(assumed ? "work.hint_assumed" : "work.hint", { crew: number(crew), hours: number(hours, hours % 1 ? 1 : 0) });
  byId("jobs-sum").textContent = sums();
  byId("jobs-list").replaceChildren(...dues().flatMap(([due, here]) => [make("h3", {}, due), make("ol", { class: "jobs" }, here.map(entry))]));
  byId("jobs-source").replaceChildren(ofLanguage(data.work_terms.source, "p"), ofLanguage(data.work_terms.caution, "p"));
  tally();
}

function entry(job) {
  const zone = zoneNumbered(job.zone);
  return make("li", { class: "job", id: `job-${job.row}`, value: String(job.visit) },
    tick(job),
    make("div", { class: "what" },
      make("p", { class: "act one-line" }, swatch(actionColour(job.action)), make("span", {}, actionName(job.task))),
      make("p", {}, make("button", { type: "button", class: "at", onclick: () => goTo(job) }, at(job))),
      zone && job.task === zone.action && job.task !== "no_data" ? make("p", { class: "zone-do" }, task(zone, blocks[zone.block])) : "",
      make("p", { class: "rests" }, facts(job)),
      zone ? where(zone) : "",
      job.task === "more_canes" ? placesOf(zone) : "",
      make("p", { class: "rests by" }, by(job))),
    flag(job));
}

function tick(job) {
  const box = make("input", { type: "checkbox", "data-mark": "done", checked: Boolean(markOn(job, "done")?.set), "aria-label": t("work.done_of", { task: actionName(job.task), block: job.block }) });
  box.addEventListener("change", () => mark(job, "done", box.checked));
  return make("label", { class: "tick" }, box, make("span", { class: "unseen" }, t("work.done")));
}

function flag(job) {
  const on = Boolean(markOn(job, "flagged")?.set);
  return make("button", { type: "button", class: "flag", "data-mark": "flagged", "aria-pressed": String(on), onclick: () => mark(job, "flagged", !markOn(job, "flagged")?.set) }, t("work.flag"));
}

// One mark after the other, each shown once it is on the disk; what the store refuses is taken back on the screen.
function mark(job, kind, set) {
  const { block, zone, task: name, vines_to_work: vines } = job;
  queue = queue.then(() => append([{ kind: "mark", block, zone, task: name, mark: kind, set, initials, vines }]))
    .catch((error) => note("work.refused", { why: error?.name ?? "" }))
    .then(() => again(job));
  return queue;
}

function again(...changed) {
  changed.forEach(marked);
  tally();
}

function marked(job) {
  const row = byId(`job-${job.row}`);
  row.querySelector("input").checked = Boolean(markOn(job, "done")?.set);
  row.querySelector(".flag").setAttribute("aria-pressed", String(Boolean(markOn(job, "flagged")?.set)));
  row.querySelector(".by").textContent = by(job);
}

// How far the work is, what waits to be sent, and what fits no task here.
function tally() {
  const count = (mark) => jobs.filter((job) => markOn(job, mark)?.set).length;
  byId("jobs-tally").textContent = t("work.tally", { done: number(count("done")), all: number(jobs.length), flagged: number(count("flagged")), open: number(unsent()) });
  const lost = strays(jobs).length;
  byId("jobs-strays").hidden = !lost;
  byId("jobs-strays").textContent = t("work.strays", { count: number(lost) });
  document.documentElement.dataset.marked = String(log.last);
}

function note(key, values = {}) {
  byId("jobs-note").textContent = t(key, values);
}

// Show a task's zone, or its block, on the map; with the places of its canes.
function goTo(job) {
  const zone = zoneNumbered(job.zone);
  state.zones = true;
  state.canes ||= job.task === "more_canes";
  controls();
  legend();
  painters.marks.repaint();
  if (narrow()) unfold(false);
  fit(boxOfAll([zone ?? blocks[job.block_row]]), 0.9);
}

function hand(how) {
  const text = marksCsv();
  if (!text) return note("work.nothing");
  const upto = log.last, name = fileName("done", initials);
  return Promise.resolve(how(name, text)).then(
    () => append([{ kind: "sent", upto }]).catch(() => {}).then(() => { tally(); note("work.sent", { name }); }),
    (error) => error.name !== "AbortError" && note("work.unsent"),
  );
}

// Open what this device keeps; where the browser keeps nothing, no mark can be set.
export async function openWork() {
  if (!jobs.length) return;
  try {
    await openStore(storeName, log);
    initials = await kept("initials", "");
  } catch (error) {
    for (const one of byId("jobs").querySelectorAll("[data-mark]")) one.disabled = true;
    byId("jobs-hand").hidden = true;
    note("work.no_store", { why: error?.name ?? "" });
    return;
  }
  store.changed = () => again(...jobs);
  store.lost = () => note("work.refused", { why: "InvalidStateError" });
  byId("initials").value = initials;
  byId("initials").addEventListener("change", () => {
    initials = tidy(byId("initials").value).slice(0, 40);
    keep("initials", initials).catch(() => note("work.refused", { why: "" }));
  });
  byId("jobs-save").addEventListener("click", () => hand(save));
  byId("jobs-copy").addEventListener("click", () => hand((_, text) => copy(text)));
  byId("jobs-share").hidden = !shareable("done.csv", "");
  byId("jobs-share").addEventListener("click", () => hand((name, text) => navigator.share(shareable(name, text))));
  again(...jobs);
  document.documentElement.dataset.kept = "yes";
}
