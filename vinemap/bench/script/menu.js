// What is not done at every node: save, load, settings, a new survey.

import { byId, make } from "../../web/script/dom.js";
import { fileName } from "../../web/script/hand.js";
import { append, keep } from "../../web/script/store.js";
import { hasText, number, t, words } from "../../web/script/words.js";
import { place } from "./board.js";
import { choice } from "./choice.js";
import { feel } from "./feel.js";
import { budsCsv, readFile, woodCsv } from "./files.js";
import { allSamples, keepPlan } from "./plan.js";
import { note, settle } from "./status.js";
import { BUDS, budRows, log, noncountOf, stateOf, woodRows } from "./tally.js";
import { inTurn, refused } from "./turns.js";
import { openSample } from "./work.js";

export function hand(how) {
  const rows = budRows(allSamples(), choice.reader);
  return handed(how, "buds", rows.length && budsCsv(rows), "export", "save.done", { nodes: number(rows.length) });
}

export function handWood(how) {
  const rows = woodRows(allSamples());
  return handed(how, "wood", rows.length && woodCsv(rows), "export.wood", "save.done.wood", { slices: number(rows.length) });
}

function handed(how, stem, text, kind, done, values) {
  if (!text) return note("save.nothing");
  const upto = log.last, name = fileName(stem, choice.reader);
  return Promise.resolve(how(name, text)).then(
    () => append([{ kind, upto }]).catch(() => {}).then(() => note(done, { name, ...values })),
    (error) => error.name !== "AbortError" && note("save.failed"),
  );
}

export async function load(input) {
  const [file] = input.files;
  if (!file) return;
  try {
    const { plan: samples, nodes } = await readFile(file);
    if (samples) {
      await keepPlan(samples);
      note("import.plan", { samples: number(samples.length) });
    } else await loadNodes(nodes);
  } catch (error) {
    if (error instanceof DOMException) refused(error);
    else note(hasText(error.message) ? error.message : "import.unknown", { row: String(error.cause ?? "") });
  } finally {
    input.value = "";
    settle();
  }
}

// Only what this device does not hold is taken from a file; what it reads otherwise is counted and said.
function loadNodes(nodes) {
  return inTurn(async () => {
    const wanted = nodes.flatMap(({ sample, cane, node, states, reader }) => BUDS.map((bud, place) => ({ kind: "take", imported: true, sample, cane, node, bud, state: states[place], ...(reader && { reader }) })));
    const basal = nodes.filter(({ sample, cane, noncount }) => noncount && !noncountOf(sample, cane)).map(({ sample, cane, noncount }) => ({ kind: "noncount", imported: true, sample, cane, ...noncount }));
    const here = (record) => stateOf(record.sample, record.cane, record.node, record.bud);
    const news = wanted.filter((record) => here(record) === null && (record.state !== "unread" || record.bud === "primary"));
    const other = wanted.filter((record) => record.state !== "unread" && here(record) !== null && here(record) !== record.state);
    const known = new Set(news.map((record) => JSON.stringify([record.sample, record.cane, record.node])));
    if (news.length + basal.length && !(await append([...news, ...basal], (record) => !record.kind.startsWith("export")))) return note("import.again");
    note(other.length ? "import.differs" : "import.nodes", { nodes: number(known.size), other: number(other.length), first: other[0]?.sample ?? "" });
  });
}

export function clearAll() {
  return inTurn(async () => {
    await append([{ kind: "clear" }]);
    byId("fresh").close();
    byId("menu").close();
    openSample(allSamples()[0] ?? place.sample, "said.cleared");
  });
}

export function settings() {
  for (const area of document.querySelectorAll(".settings")) {
    area.replaceChildren(
      pick("set.language", Object.keys(words.texts).map((code) => [code, words.texts[code]["language.name"]]), "language"),
      pick("set.buds", [1, 2, 3].map((many) => [many, t(`set.buds.${many}`)]), "buds"),
      pick("set.every", [[false, t("set.every.dead")], [true, t("set.every.all")]], "every"),
      pick("set.vibrate", [[true, t("on")], [false, t("off")]], "vibrate"),
      pick("set.sound", [[true, t("on")], [false, t("off")]], "sound"),
    );
  }
}

function pick(key, options, name) {
  return make("div", { class: "setting" }, make("span", {}, t(key)), make("div", { class: "pick", role: "group", "aria-label": t(key) },
    options.map(([value, text]) => make("button", { type: "button", "aria-pressed": String(choice[name] === value), "data-set": `${name}-${value}`, onclick: () => set(name, value) }, text))));
}

export function set(name, value) {
  choice[name] = value;
  keep("choice", choice).catch(refused);
  if (name === "sound" && value) feel("alive");
  words.changed();
}
