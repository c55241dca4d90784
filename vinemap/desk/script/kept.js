// Outlines and points as the desk has them, and what was changed on this page: each change is sent in its turn, and
// nothing that was drawn is let go until the desk has said that it is on the disk.

import { byId } from "../../web/script/dom.js";
import { t } from "../../web/script/words.js";
import { answered, say, unreachable, unsay } from "./said.js";

export const store = { blocks: new Map(), samples: new Map(), names: {}, problems: [], faults: { blocks: {}, samples: {} }, none: "", changed: () => {}, told: () => {} };

const waiting = [];
const former = [];
let sending = false;
let put = "";
let faults = "";
let looking = false;

export async function load(editor) {
  put = editor.dataset.put;
  const answer = await fetch(editor.dataset.places);
  if (!answer.ok) throw new Error(String(answer.status));
  const layers = await answer.json();
  for (const layer of ["blocks", "samples"]) {
    store[layer] = new Map(layers[layer].features.map((feature) => [feature.id, feature]));
    store.names[layer] = layers[layer].names;
    store.problems.push(...layers[layer].problems);
    store.none = layers[layer].none;
  }
  faults = editor.dataset.faults;
  window.addEventListener("beforeunload", (event) => { if (waiting.length) event.preventDefault(); });
}

// Ask what is wrong with what stands there now; once at a time, and again where something was changed meanwhile.
export async function look() {
  if (looking) {
    looking = "again";
    return;
  }
  looking = true;
  try {
    const answer = await fetch(faults);
    if (answer.ok) store.faults = await answer.json();
    store.changed();
  } catch {
    // The desk does not answer: that is said where a change cannot be kept.
  }
  const again = looking === "again";
  looking = false;
  if (again) look();
}

export const faultsOf = (layer, id) => store.faults[layer]?.[id] ?? [];

export const newId = () => `n${Date.now().toString(36)}${Math.random().toString(36).slice(2, 8)}`;

export const named = (layer, feature) => String(feature.properties[store.names[layer][layer === "blocks" ? "block" : "sample"]] ?? "");

// Change a feature, make a new one, or take one out (null); what it was can be had back.
export function change(layer, id, feature, { back = false } = {}) {
  const was = store[layer].get(id) ?? null;
  if (!back) former.push({ layer, id, was: was && structuredClone(was) });
  if (feature) store[layer].set(id, { ...feature, id, revision: was?.revision });
  else store[layer].delete(id);
  waiting.push({ layer, id, feature: feature && structuredClone(feature), revision: was?.revision });
  unsay();
  store.changed();
  send();
}

export const canUndo = () => former.length > 0;

export function undo() {
  const { layer, id, was } = former.pop();
  change(layer, ids.get(id) ?? id, was, { back: true });
}

// Ids that the desk gave in the place of this page's own, and the revision that each feature has there.
const ids = new Map();
const revisions = new Map();

async function send() {
  if (sending) return;
  sending = true;
  try {
    while (waiting.length) {
      await sendOne(waiting[0]);
      waiting.shift();
      if (!waiting.length) {
        say(t("cells.kept"));
        look();
      }
    }
    answered();
  } catch {
    unreachable(send);
  } finally {
    sending = false;
  }
}

async function sendOne({ layer, id, feature, revision }) {
  const there = ids.get(id) ?? id;
  const seen = revisions.get(there) ?? revision ?? store.none;
  const answer = await fetch(`${put}/${layer}/${encodeURIComponent(there)}`, {
    method: feature ? "PUT" : "DELETE", headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ feature, revision: seen }),
  });
  if (answer.status === 409) return differ(layer, there, await answer.json());
  if (answer.status === 422) return refused(layer, id);
  if (!answer.ok) throw new Error(String(answer.status));
  const kept = await answer.json();
  revisions.set(kept.id, kept.revision);
  if (kept.id !== there) rename(layer, id, kept.id);
  byId("save-bar").hidden = false;
  return null;
}

// The desk gave a point the number of its row.
function rename(layer, id, there) {
  ids.set(id, there);
  const feature = store[layer].get(id);
  store[layer].delete(id);
  if (feature) store[layer].set(there, { ...feature, id: there });
  store.changed(id, there);
}

// Another page changed it since: what stands there is shown, and what was drawn here can be drawn again over it.
function differ(layer, there, answer) {
  revisions.set(there, answer.revision);
  if (answer.there) store[layer].set(there, { ...answer.there, id: there, revision: answer.revision });
  else store[layer].delete(there);
  store.changed();
  store.told(t("places.differs"));
}

// The file that it belongs into has no place for it.
function refused(layer, id) {
  const last = former.findLastIndex((one) => one.layer === layer && one.id === id);
  const { was } = former.splice(last, 1)[0];
  if (was) store[layer].set(id, was);
  else store[layer].delete(id);
  store.changed();
  store.told(t("places.refused"));
}
