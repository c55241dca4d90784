// The list of samples, and a sample that no plan holds.

import { byId, icon, make, own } from "../../web/script/dom.js";
import { tidy } from "../../web/script/hand.js";
import { number, t } from "../../web/script/words.js";
import { enter, place } from "./board.js";
import { allSamples, blockOf, keepPlan, nextSample, plan, plannedCanes, sampleIsDone, wantedNodes } from "./plan.js";
import { canesOf, nodesOn, sum } from "./tally.js";
import { inTurn } from "./turns.js";
import { MARKS, openSample } from "./work.js";

const MANY = 12;

export function listSamples() {
  const samples = allSamples();
  byId("find-row").hidden = samples.length <= MANY;
  byId("find").value = "";
  listFound("");
  byId("blocks").replaceChildren(...[...new Set([...plan.values()].map((sample) => sample.block).filter(Boolean))].map((block) => make("option", { value: block })));
  if (!byId("samples").open) byId("samples").showModal();
  byId("sample-list").querySelector('[aria-current="true"]')?.scrollIntoView({ block: "center" });
}

export function listFound(text) {
  const wanted = text.trim().toLowerCase();
  const found = allSamples().filter((sample) => `${sample} ${blockOf(sample) ?? ""}`.toLowerCase().includes(wanted));
  byId("sample-list").replaceChildren(...found.map((sample) => make("li", {}, make("button", {
    type: "button", class: "line", "aria-current": sample === place.sample ? "true" : null, onclick: () => choose(sample),
  }, own(sample, "b"), own(blockOf(sample) ?? "", "span", { class: "soft" }), make("span", { class: "much" }, progress(sample))))));
}

function progress(sample) {
  const nodes = sum(canesOf(sample).map((cane) => nodesOn(sample, cane).length));
  const wanted = wantedNodes(sample) === null ? null : wantedNodes(sample) * plannedCanes(sample);
  const text = wanted === null ? (nodes ? number(nodes) : "") : t("list.of", { nodes: number(nodes), wanted: number(wanted) });
  return [text, nodes && (wanted === null || sampleIsDone(sample)) ? icon(MARKS.alive) : ""];
}

function choose(sample) {
  byId("samples").close();
  openSample(sample);
}

export function addSample(event) {
  event.preventDefault();
  const name = tidy(byId("new-sample").value);
  if (!name) return;
  const known = allSamples().find((sample) => sample.toLowerCase() === name.toLowerCase());
  inTurn(async () => {
    if (!known) await keepPlan([{ sample: name, block: tidy(byId("new-block").value) || null, canes: null, nodes: null }]);
    byId("new-sample").value = byId("new-block").value = "";
    enter();
    choose(known ?? name);
  });
}

export function stepSample() {
  return inTurn(() => {
    const next = nextSample(place.sample);
    if (next === null) listSamples();
    else openSample(next, "said.sample");
  });
}
