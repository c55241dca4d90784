// How sure the map is, what it follows, cautions, and where its rules come from.

import { byId, make, own } from "../../web/script/dom.js";
import { celsius, measured, metres, number, ofLanguage, percent, range, sentence, t, words } from "../../web/script/words.js";
import { data } from "./data.js";
import { surface, terrain } from "./layers.js";

export function about() {
  byId("about").replaceChildren(
    make("details", {}, make("summary", {}, t("sure.title")), sure()),
    make("details", { open: true }, make("summary", {}, t("cautions.title")), cautions()),
    make("details", {}, make("summary", {}, t("sources.title")), sources(), licence()),
  );
}

// Who passes the page on passes Leaflet on, and with it has to pass on its licence.
function licence() {
  return make("details", {}, make("summary", {}, t("licence.leaflet")), make("pre", { lang: "en" }, byId("leaflet-licence").content.textContent));
}

function sure() {
  const { scores, model } = data.report;
  const box = make("div", {}, make("p", {}, t("sure.interval")));
  if (scores) box.append(...scoreWords(scores));
  if (model) box.append(...modelWords(model));
  if (!terrain) box.append(make("p", {}, t("sure.no_elevation")));
  box.append(make("p", {}, t("sure.few")), make("p", {}, cellWords()));
  return box;
}

// How well held-out samples were predicted; a run without the scores says it in its own English sentence.
function scoreWords({ better_than_block_means: better, leave_one_out: single, text }) {
  const known = single && [single.brier, single.block_means_brier, single.coverage_90].every(Number.isFinite);
  const values = known && { gain: percent(100 * (1 - single.brier / single.block_means_brier)), covered: number(100 * single.coverage_90), sure: percent(90) };
  if (known && better) return [make("p", {}, t("scores.gain", values))];
  const lines = [];
  if (better === true) lines.push(make("p", {}, t("scores.better")));
  if (better === false) lines.push(make("p", { class: "warn" }, t("scores.no_better")));
  if (known) lines.push(make("p", {}, t("scores.covered", values)));
  else if (text) lines.push(own(text, "p", { lang: "en" }));
  return lines;
}

function cellWords() {
  const cell = metres(surface.cell_m, 1);
  return surface.factor > 1 ? t("sure.coarsened", { cell, fine: metres(surface.cell_m / surface.factor, 1) }) : t("sure.cell", { cell });
}

const shares = (one) => ({
  pct: percent(one.pct),
  range: range(one.low_pct, one.high_pct),
  other_pct: percent(one.other_pct),
  other_range: range(one.other_low_pct, one.other_high_pct),
});

function endsWords({ name, around_m: around, shown, here, there }) {
  return t(`covariate.${name}`, { distance: metres(around, 0), here: measured(shown, here), there: measured(shown, there) });
}

// Both ends of what else is known of the ground: its name is the user's own.
function knownWords({ said, label, here, there, decimals, unit }) {
  const figure = (value) => own(unit === "°C" ? celsius(value) : `${number(value, decimals)} ${unit}`.trim());
  return make("span", {}, sentence(said.replace("page.", ""), { name: own(label), here: figure(here), there: figure(there) }));
}

// What injury follows, as far as the samples show it; where they show nothing of the terrain, that; who else taught it.
function effectWords({ effects, relief_m: relief, level, borrowed }) {
  const told = effects.filter((one) => one.told);
  const items = told.map((one) => {
    if (one.of === "terrain") return t("effect.terrain", { ends: endsWords(one), ...shares(one) });
    if (one.of === "evidence") return sentence("effect.terrain", { ends: knownWords(one), ...shares(one) });
    return sentence(`effect.${one.of}`, { ...shares(one), ...(one.of === "variety" && { name: own(one.name), other: own(one.other) }) });
  });
  if (relief !== null && !told.some((one) => one.of === "terrain")) {
    const beside = told.some((one) => one.of === "evidence");
    items.unshift(level ? t("effect.level", { relief: metres(relief, 2) }) : t(beside ? "effect.beside" : "effect.none"));
  }
  if (borrowed) items.push(t("effect.borrowed", { vineyards: number(borrowed) }));
  return items.map((text) => make("li", {}, text));
}

function modelWords(model) {
  const effects = model.effects ? effectWords(model) : [];
  const lines = [];
  if (effects.length) lines.push(make("p", {}, t("sure.follows")), make("ul", {}, effects));
  if (data.report.night) lines.push(make("p", {}, t("sure.night")), make("ul", {}, data.report.night.findings.map((text) => ofLanguage(text, "li"))));
  if (model.range_m != null) lines.push(make("p", {}, t("sure.range", { range: metres(model.range_m, 0), low: metres(model.range_low_m ?? model.range_m, 0), high: metres(model.range_high_m ?? model.range_m, 0) })));
  return lines;
}

export function cautions() {
  return make("ul", { class: "cautions" }, ["tools", "cold", "buds", "budbreak", "look_alike", "advice"].map((key) => make("li", {}, t(`caution.${key}`))));
}

export function sources() {
  const list = ["rules", "model", "intervals", "colours", "made"].map((key) => make("li", {}, t(`source.${key}`, { version: data.report.vinemap ?? "" })));
  list.splice(1, 0, make("li", {}, sentence("source.razor", { source: ofLanguage(data.settings.razor.source, "span") })));
  if (data.unreviewed.includes(words.language)) list.push(make("li", {}, t("unreviewed")));
  return make("ul", {}, data.report.elevation_source ? [...list.slice(0, -1), make("li", {}, heightWords(data.report.elevation_source)), ...list.slice(-1)] : list);
}

// Where the heights come from, how coarse they are, and whom their source wants named.
function heightWords({ file, source, fetched, credit, cell_m: cell }) {
  const values = { source: own(source ?? file), cell: metres(cell, 0), credit: credit ? own(credit) : "" };
  return fetched ? sentence("source.fetched", { ...values, date: own(fetched) }) : sentence("source.elevation", values);
}
