// At the board: one node after the other.

const choice = { language: null, buds: 2, sound: false, vibrate: true, reader: "" };
const place = { sample: null, cane: "1", node: 1, open: false };
const BOUNCE_MS = 220;
let queue = Promise.resolve();
let lastTap = { button: null, at: -Infinity };

// One act after the other: each starts from where the one before it has ended, on the screen and on the disk.
function inTurn(act) {
  queue = queue.then(act).catch(refused);
  return queue;
}

function readBuds() {
  return BUDS.slice(0, choice.buds);
}

function isComplete(sample, cane, node) {
  return readBuds().every((bud) => stateOf(sample, cane, node, bud));
}

// The bud that a key without a bud of its own means: the first that has not been read.
function dueBud() {
  return readBuds().find((bud) => !stateOf(place.sample, place.cane, place.node, bud)) ?? "primary";
}

function take(bud, state) {
  return inTurn(async () => {
    const { sample, cane, node } = place;
    const at = bud ?? dueBud();
    const before = isComplete(sample, cane, node);
    const same = (record) => record.kind === "clear" || (record.kind === "take" && record.sample === sample && record.cane === cane && record.node === node);
    if (!(await append([{ kind: "take", sample, cane, node, bud: at, state }], same))) {
      feel("refused");
      tell("said.elsewhere", { sample, cane, node });
      moveToDue(sample, cane);
      return show();
    }
    feel(state);
    tell("said.taken", { sample, cane, node, bud: t(`bud.${at}`), state: t(`state.${state}`) });
    // A node that was complete has been corrected: back to the one that is due, or the next bud would be read over it.
    if (before) moveToDue(sample, cane);
    else if (isComplete(sample, cane, node)) goOn(sample, cane, node);
    show();
  });
}

function goOn(sample, cane, node) {
  place.node = node + 1;
  if (nodesOn(sample, cane).length === wantedNodes(sample)) tell("said.full", { cane, nodes: number(nodesOn(sample, cane).length) });
}

function undo() {
  return inTurn(async () => {
    const open = log.records.filter((record) => ["take", "clear"].includes(record.kind) && !record.imported && stands(record));
    const last = open.findLast((record) => record.tab === TAB) ?? open.at(-1);
    if (!last) return tell("said.nothing");
    if (!(await append([{ kind: "undo", of: last.seq }], (record) => record.kind === "undo" && record.of === last.seq))) return show();
    feel("undo");
    if (last.kind === "clear") tell("said.restored");
    else {
      Object.assign(place, { sample: last.sample, cane: last.cane, node: last.node });
      if (isComplete(last.sample, last.cane, last.node)) moveToDue(last.sample, last.cane);
      tell("said.undone", { ...last, bud: t(`bud.${last.bud}`), state: t(`state.${last.state}`) });
    }
    show();
  });
}

function moveToDue(sample, cane) {
  const last = nodesOn(sample, cane).at(-1) ?? 0;
  const node = last && !isComplete(sample, cane, last) ? last : last + 1;
  Object.assign(place, { sample, cane, node });
}

function openSample(sample, key = null) {
  return inTurn(() => {
    moveToDue(sample, canesOf(sample).at(-1) ?? "1");
    tell(key, { sample });
    show();
    keep("place", { sample }).catch(() => {}); // a bookmark for the next start: where the store refuses it, nothing is lost
  });
}

function stepNode(by) {
  return inTurn(() => {
    place.node = Math.max(1, place.node + by);
    tell(null);
    show();
  });
}

function stepCane(by) {
  return inTurn(() => moveCane(by));
}

function moveCane(by) {
  const canes = [...new Set([...canesOf(place.sample), place.cane])].sort(naturally);
  const neighbour = canes[canes.indexOf(place.cane) + by];
  const figures = canes.map(Number).filter(Number.isInteger);
  const figure = by > 0 ? Math.max(0, ...figures) + 1 : Number(place.cane) - 1;
  if (!neighbour && !(figure >= 1)) return;
  moveToDue(place.sample, neighbour ?? String(figure));
  tell("said.cane", { cane: place.cane });
  show();
}

function stepSample() {
  return inTurn(() => {
    const next = nextSample(place.sample);
    if (next === null) listSamples();
    else openSample(next, "said.sample");
  });
}

// A gloved finger bounces: the same button again within a blink is no second tap.
function tapped(button) {
  const now = performance.now();
  const bounced = lastTap.button === button && now - lastTap.at < BOUNCE_MS;
  lastTap = { button, at: now };
  return !bounced;
}

// Nothing was written: say so, and offer to save what there is.
function refused(error) {
  feel("refused");
  const full = error?.name === "QuotaExceededError";
  byId("trouble-title").textContent = t(full ? "trouble.full" : "trouble.other");
  byId("trouble-text").textContent = t("trouble.text", { error: error?.name ?? "" });
  if (!byId("trouble").open) byId("trouble").showModal();
  show();
}

function tell(key, values = {}) {
  byId("message").replaceChildren(...(key === null ? [] : sentence(key, values)));
}

// Another tab has written: where it has read the node on this screen, this screen goes on to the next.
function changedElsewhere() {
  const { sample, cane, node } = place;
  if (place.open && isComplete(sample, cane, node)) {
    moveToDue(sample, cane);
    tell("said.other", { sample, cane, node });
  }
  settle();
}

function show() {
  if (byId("work").hidden) return;
  const { sample, cane, node } = place;
  place.open = !isComplete(sample, cane, node);
  const block = blockOf(sample);
  byId("sample").textContent = sample;
  byId("block").textContent = block ?? "";
  byId("cane").textContent = cane;
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
  const third = canes ? [" ", ...sentence("running.canes", { done: number(canes.done), planned: number(canes.planned) })] : [];
  return [...first, ...second, ...third];
}

function layBuds() {
  byId("buds").replaceChildren(...readBuds().map((bud) => make("div", { class: "bud-row", role: "group", "aria-label": t(`bud.${bud}`) },
    make("p", { class: "bud-name" }, t(`bud.${bud}`)),
    STATES.map((state) => make("button", {
      type: "button", class: `state ${state}`, "data-bud": bud, "data-state": state, "aria-pressed": "false",
      onclick: (event) => tapped(event.currentTarget) && take(bud, state),
    }, icon(MARKS[state]), make("span", {}, t(`state.${state}`)))))));
}

const MARKS = { alive: "M5 13l5 5L19 6", dead: "M6 6l12 12M18 6L6 18", unread: "M6 12h12" };

const KEYS = {
  1: () => take(null, "alive"), 2: () => take(null, "dead"), 3: () => take(null, "unread"),
  0: undo, Backspace: undo, Enter: () => byId(byId("next-cane").classList.contains("go") ? "next-cane" : "next-sample").click(),
  ArrowLeft: () => stepNode(-1), ArrowRight: () => stepNode(1), ArrowUp: () => stepCane(-1), ArrowDown: () => stepCane(1),
};

function pressed(event) {
  const busy = byId("work").hidden || document.querySelector("dialog[open]");
  if (busy || event.repeat || event.ctrlKey || event.metaKey || event.altKey || !KEYS[event.key]) return;
  if (event.key === "Enter" && event.target.closest("button")) return;
  event.preventDefault();
  KEYS[event.key]();
}
