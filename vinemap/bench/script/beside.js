// What is noted beside the nodes: slices of wood, and the basal buds of the cane on the board.

import { ICONS, byId, icon, make } from "../../web/script/dom.js";
import { append } from "../../web/script/store.js";
import { number, t, words } from "../../web/script/words.js";
import { place, say } from "./board.js";
import { feel } from "./feel.js";
import { blockOf } from "./plan.js";
import { settle } from "./status.js";
import { LAYERS, TISSUES, noncountOf, slicesOf } from "./tally.js";
import { inTurn } from "./turns.js";
import { stateRow, tapped } from "./work.js";

const READ = ["alive", "dead", "unread"];
const MOST = 99;
const slice = { tissue: TISSUES[0] };

export function openBeside() {
  clearSlice();
  showBeside();
  byId("beside").showModal();
}

function clearSlice() {
  for (const layer of LAYERS) slice[layer] = null;
}

function showBeside() {
  const { sample, cane } = place;
  byId("beside-sample").textContent = [sample, blockOf(sample)].filter(Boolean).join(", ");
  byId("tissues").replaceChildren(...TISSUES.map((tissue) => make("button", { type: "button", "aria-pressed": String(slice.tissue === tissue), "data-tissue": tissue, onclick: () => choose("tissue", tissue) }, t(`tissue.${tissue}`))));
  byId("layers").replaceChildren(...LAYERS.map((layer) => stateRow(t(`layer.${layer}`), "layer", layer, READ, slice[layer], (state) => choose(layer, state), (state) => t(`wood.state.${state}`))));
  byId("keep-slice").disabled = !LAYERS.some((layer) => slice[layer] && slice[layer] !== "unread");
  byId("slices").replaceChildren(...slicesOf([sample]).map((kept) => make("li", {}, t("slice", { tissue: t(`tissue.${kept.tissue}`), ...Object.fromEntries(LAYERS.map((layer) => [layer, t(`wood.state.${kept[layer]}`).toLocaleLowerCase(words.language)])) }))));
  byId("basal-title").textContent = t("basal", { cane });
  const beside = noncountOf(sample, cane) ?? { alive: 0, dead: 0 };
  byId("basal-counts").replaceChildren(...["alive", "dead"].map((state) => stepper(state, beside)));
}

function choose(what, value) {
  slice[what] = slice[what] === value && what !== "tissue" ? null : value;
  showBeside();
}

function stepper(state, beside) {
  const step = (by, path, key) => make("button", { type: "button", "data-basal": `${state}${by}`, "aria-label": t(`basal.${state}.${key}`), onclick: (event) => tapped(event.currentTarget) && noteBasal(state, by) }, icon(path));
  return make("div", { class: "step", role: "group", "aria-label": t(`basal.${state}`) },
    step(-1, ICONS.minus, "less"), make("p", {}, make("span", {}, t(`basal.${state}`)), make("b", {}, number(beside[state]))), step(1, ICONS.plus, "more"));
}

export function keepSlice() {
  return inTurn(async () => {
    const read = Object.fromEntries(LAYERS.map((layer) => [layer, slice[layer] ?? "unread"]));
    if (!Object.values(read).some((state) => state !== "unread")) return;
    await append([{ kind: "wood", sample: place.sample, tissue: slice.tissue, ...read }]);
    feel("alive");
    say("said.slice", { sample: place.sample, tissue: t(`tissue.${slice.tissue}`) });
    clearSlice();
    settle();
    showBeside();
  });
}

// A count is a record of its own: the last one holds, and undo brings back the one before.
function noteBasal(state, by) {
  return inTurn(async () => {
    const { sample, cane } = place;
    const { alive, dead } = noncountOf(sample, cane) ?? { alive: 0, dead: 0 };
    const counts = { alive, dead, [state]: Math.min(MOST, Math.max(0, { alive, dead }[state] + by)) };
    if (counts.alive === alive && counts.dead === dead) return;
    const same = (record) => record.kind === "noncount" && record.sample === sample && record.cane === cane;
    feel((await append([{ kind: "noncount", sample, cane, ...counts }], same)) ? state : "refused");
    settle();
    showBeside();
  });
}
