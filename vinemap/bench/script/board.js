// The board: the cane and the node that are read now, and what the screen shows of them.

import { byId, isolated, make } from "../../web/script/dom.js";
import { number, percent, sentence, t } from "../../web/script/words.js";
import { drawCane } from "./cane.js";
import { choice } from "./choice.js";
import { data } from "./data.js";
import { allSamples, blockOf, caneIsFull, canesDone, plannedCanes, sampleIsDone, wantedNodes } from "./plan.js";
import { BUDS, countOf, designEffect, isDead, log, moreNodes, sequence, stateOf, wilson } from "./tally.js";

export const place = { sample: null, cane: "1", node: 1, open: false };

export function readBuds() {
  return BUDS.slice(0, choice.buds);
}

// The buds that are asked for at a node: beside a primary that is alive the others bear next to nothing.
function askedBuds(sample, cane, node) {
  return choice.every || isDead(stateOf(sample, cane, node, "primary")) ? readBuds() : ["primary"];
}

export function isComplete(sample, cane, node) {
  return askedBuds(sample, cane, node).every((bud) => stateOf(sample, cane, node, bud));
}

// The bud that a key without a bud of its own means: the first that has not been read.
export function dueBud() {
  const { sample, cane, node } = place;
  return askedBuds(sample, cane, node).find((bud) => !stateOf(sample, cane, node, bud)) ?? "primary";
}

export function enter() {
  byId("start").hidden = true;
  byId("work").hidden = false;
}

export function say(key, values = {}) {
  byId("message").replaceChildren(...(key === null ? [] : sentence(key, values)));
}

export function show() {
  if (byId("work").hidden) return;
  const { sample, cane, node } = place;
  place.open = !isComplete(sample, cane, node);
  const block = blockOf(sample);
  byId("sample").textContent = isolated(sample);
  byId("block").textContent = isolated(block ?? "");
  byId("cane").textContent = isolated(cane);
  byId("node").textContent = node;
  byId("node-label").textContent = wantedNodes(sample) ? t("node.of", { wanted: wantedNodes(sample) }) : t("node");
  byId("strip").replaceChildren(drawCane(sample, cane, node, wantedNodes(sample)));
  const due = place.open ? dueBud() : null;
  for (const button of byId("buds").querySelectorAll("button")) {
    const { bud, state } = button.dataset;
    button.setAttribute("aria-pressed", String(stateOf(sample, cane, node, bud) === state));
    button.closest(".bud-row").classList.toggle("due", bud === due);
  }
  byId("buds").querySelector(".due")?.scrollIntoView({ block: "nearest" });
  byId("running").replaceChildren(...runningWords(block));
  const full = caneIsFull(sample, cane), done = sampleIsDone(sample);
  byId("next-cane").classList.toggle("go", full && !done);
  byId("next-sample").classList.toggle("go", full && done);
  document.documentElement.dataset.taken = String(log.last);
}

function runningWords(block) {
  const samples = allSamples().filter((sample) => block === null || blockOf(sample) === block);
  const { dead, read, reads } = countOf(samples);
  const where = block ?? t("running.all"), canes = canesDone(samples);
  if (!read) return sentence("running.none", { where });
  const effect = designEffect(reads, data.rho);
  const [low, high] = wilson(dead / effect, read / effect, data.z);
  const share = make("b", {}, percent(100 * dead / read));
  const first = sentence(read === 1 ? "running.one" : "running", { where, nodes: number(read), share, low: number(100 * low), high: number(100 * high) });
  const later = Math.max(effect, designEffect(samples.map((sample) => (wantedNodes(sample) ?? 0) * plannedCanes(sample)), data.rho));
  const more = moreNodes(dead, read, data.z, effect, later);
  const second = more ? [" ", ...sentence("running.more", { more: number(more.more), points: number(more.points) })] : [];
  const rule = sequence(dead, read);
  const advice = rule ? [" ", make("span", { class: "advice" }, t(`sequence.${rule}`, { read: number(read) }))] : [];
  const third = canes ? [" ", ...sentence("running.canes", { done: number(canes.done), planned: number(canes.planned) })] : [];
  return [...first, ...advice, ...second, ...third];
}
