// What this device holds and has not handed over yet, wherever the page says it.

import { byId } from "../../web/script/dom.js";
import { number, sentence, t } from "../../web/script/words.js";
import { show } from "./board.js";
import { allSamples } from "./plan.js";
import { listFound } from "./samples.js";
import { canesOf, log, rowsOf, slicesOf, stands } from "./tally.js";

// What depends on the plan and on the log, all over the page.
export function settle() {
  found();
  show();
  if (byId("samples").open) listFound(byId("find").value);
}

function found() {
  const samples = allSamples();
  const nodes = rowsOf(samples).length;
  const values = { nodes: number(nodes), samples: number(nodes ? samples.filter((sample) => canesOf(sample).length).length : samples.length), open: number(unsaved()) };
  write(".found", nodes ? "found" : samples.length ? "found.none" : "found.empty", values);
  const slices = slicesOf(samples);
  byId("save-wood").hidden = byId("found-wood").hidden = !slices.length;
  byId("found-wood").textContent = t("found.wood", { slices: number(slices.length), open: number(slices.filter((slice) => slice.seq > lastSaved("export.wood")).length) });
  byId("begin").textContent = t(nodes ? "begin.again" : "begin");
}

function lastSaved(kind) {
  return log.records.findLast((record) => record.kind === kind)?.upto ?? 0;
}

function nodesSince(seq) {
  const takes = log.records.filter((record) => record.kind === "take" && record.seq > seq && !record.imported && stands(record));
  return new Set(takes.map((record) => JSON.stringify([record.sample, record.cane, record.node]))).size;
}

function unsaved() {
  return nodesSince(lastSaved("export"));
}

export function note(key, values = {}) {
  write(".note-line", key, values);
  found();
}

// A sentence in several places, of which one is on the screen.
function write(places, key, values) {
  for (const line of document.querySelectorAll(places)) line.replaceChildren(...sentence(key, values));
}
