// At the board: one node after the other.

import { byId, icon, make } from "../../web/script/dom.js";
import { TAB, append, keep } from "../../web/script/store.js";
import { number, t } from "../../web/script/words.js";
import { dueBud, isComplete, place, readBuds, say, show } from "./board.js";
import { choice } from "./choice.js";
import { feel } from "./feel.js";
import { wantedNodes } from "./plan.js";
import { STATES, canesOf, log, naturally, nodesOn, stands } from "./tally.js";
import { inTurn } from "./turns.js";

export const MARKS = { alive: "M5 13l5 5L19 6", dead: "M6 6l12 12M18 6L6 18", dead_before: "M5 5l14 14M19 5L5 19M4 12h16", unread: "M6 12h12" };

const UNDONE = ["take", "wood", "noncount", "clear"];
const BOUNCE_MS = 220;
let lastTap = { button: null, at: -Infinity };

const KEYS = {
  1: () => take(null, "alive"), 2: () => take(null, "dead"), 3: () => take(null, "unread"), 4: () => take("primary", "dead_before"),
  0: undo, Backspace: undo, Enter: () => byId(byId("next-cane").classList.contains("go") ? "next-cane" : "next-sample").click(),
  ArrowLeft: () => stepNode(-1), ArrowRight: () => stepNode(1), ArrowUp: () => stepCane(-1), ArrowDown: () => stepCane(1),
};

function take(bud, state) {
  return inTurn(async () => {
    const { sample, cane, node } = place;
    const at = bud ?? dueBud();
    const before = isComplete(sample, cane, node);
    const same = (record) => record.kind === "clear" || (record.kind === "take" && record.sample === sample && record.cane === cane && record.node === node);
    if (!(await append([{ kind: "take", sample, cane, node, bud: at, state, ...(choice.reader && { reader: choice.reader }) }], same))) {
      feel("refused");
      say("said.elsewhere", { sample, cane, node });
      moveToDue(sample, cane);
      return show();
    }
    feel(state);
    const wanted = wantedNodes(sample);
    const taken = { sample, cane, node, bud: t(`bud.${at}`), state: t(`state.${state}`) };
    say(wanted !== null && node > wanted ? "said.beyond" : "said.taken", { ...taken, wanted });
    // A node that was complete has been corrected: back to the one that is due, or the next bud would be read over it.
    // One that now wants more buds read, its primary being dead after all, stays on the screen.
    if (!isComplete(sample, cane, node)) place.node = node;
    else if (before || isComplete(sample, cane, node + 1)) moveToDue(sample, cane);
    else goOn(sample, cane, node);
    show();
  });
}

function goOn(sample, cane, node) {
  place.node = node + 1;
  if (nodesOn(sample, cane).length === wantedNodes(sample)) say("said.full", { cane, nodes: number(nodesOn(sample, cane).length) });
}

export function undo() {
  return inTurn(async () => {
    const open = log.records.filter((record) => UNDONE.includes(record.kind) && !record.imported && stands(record));
    const last = open.findLast((record) => record.tab === TAB) ?? open.at(-1);
    if (!last) return say("said.nothing");
    if (!(await append([{ kind: "undo", of: last.seq }], (record) => record.kind === "undo" && record.of === last.seq))) return show();
    feel("undo");
    if (last.kind === "clear") say("said.restored");
    else if (last.kind === "wood") say("said.undone.wood", { sample: last.sample, tissue: t(`tissue.${last.tissue}`) });
    else if (last.kind === "noncount") say("said.undone.noncount", { sample: last.sample, cane: last.cane });
    else {
      Object.assign(place, { sample: last.sample, cane: last.cane, node: last.node });
      if (isComplete(last.sample, last.cane, last.node)) moveToDue(last.sample, last.cane);
      say("said.undone", { ...last, bud: t(`bud.${last.bud}`), state: t(`state.${last.state}`) });
    }
    show();
  });
}

export function moveToDue(sample, cane) {
  const last = nodesOn(sample, cane).at(-1) ?? 0;
  const node = last && !isComplete(sample, cane, last) ? last : last + 1;
  Object.assign(place, { sample, cane, node });
}

export function openSample(sample, key = null) {
  return inTurn(() => {
    moveToDue(sample, canesOf(sample).at(-1) ?? "1");
    say(key, { sample });
    show();
    keep("place", { sample }).catch(() => {}); // a bookmark for the next start: where the store refuses it, nothing is lost
  });
}

export function stepNode(by) {
  return inTurn(() => {
    place.node = Math.max(1, place.node + by);
    say(null);
    show();
  });
}

export function stepCane(by) {
  return inTurn(() => moveCane(by));
}

function moveCane(by) {
  const canes = [...new Set([...canesOf(place.sample), place.cane])].sort(naturally);
  const neighbour = canes[canes.indexOf(place.cane) + by];
  const numbers = canes.map(Number).filter(Number.isInteger);
  const next = by > 0 ? Math.max(0, ...numbers) + 1 : Number(place.cane) - 1;
  if (!neighbour && !(next >= 1)) return;
  moveToDue(place.sample, neighbour ?? String(next));
  say("said.cane", { cane: place.cane });
  show();
}

// A gloved finger bounces: the same button again within a blink is no second tap.
export function tapped(button) {
  const now = performance.now();
  const bounced = lastTap.button === button && now - lastTap.at < BOUNCE_MS;
  lastTap = { button, at: now };
  return !bounced;
}

// Only of the primary is it asked whether it had died before the freeze: the freeze's own injury is counted in primaries.
function statesOf(bud) {
  return bud === "primary" ? STATES : STATES.filter((state) => state !== "dead_before");
}

export function layBuds() {
  byId("buds").replaceChildren(...readBuds().map((bud) => stateRow(t(`bud.${bud}`), "bud", bud, statesOf(bud), null, (state) => take(bud, state))));
}

// A row of what is read, with a button a state; each button says in `data-…` whose it is.
export function stateRow(name, kind, of, states, pressed, act, said = (state) => t(`state.${state}`)) {
  return make("div", { class: "bud-row", role: "group", "aria-label": name },
    make("p", { class: "bud-name" }, name),
    states.map((state) => make("button", {
      type: "button", class: `state ${state}`, [`data-${kind}`]: of, "data-state": state, "aria-pressed": String(state === pressed),
      onclick: (event) => tapped(event.currentTarget) && act(state),
    }, icon(MARKS[state]), make("span", {}, said(state)))));
}

export function pressed(event) {
  const busy = byId("work").hidden || document.querySelector("dialog[open]");
  if (busy || event.repeat || event.ctrlKey || event.metaKey || event.altKey || !KEYS[event.key]) return;
  if (event.key === "Enter" && event.target.closest("button")) return;
  event.preventDefault();
  KEYS[event.key]();
}
