// The overview: the one sentence that matters, and the blocks from worst to least hurt.

import { byId, make, own } from "../../web/script/dom.js";
import { actionName, area, areaNumber, day, number, ofLanguage, percent, range, sentence, t } from "../../web/script/words.js";
import { bar } from "./charts.js";
import { blocks, data, ranked, spring, threshold, zones } from "./data.js";
import { detail } from "./detail.js";
import { cut } from "./evidence.js";
import { boxOfAll } from "./geometry.js";
import { fit } from "./map.js";
import { painters } from "./painter.js";
import { unfold } from "./panel.js";
import { state } from "./state.js";
import { byZone, swatches, zoneTasks } from "./tasks.js";

export function overview() {
  byId("name").textContent = data.report.name ?? "";
  const event = data.report.event_date;
  byId("when").replaceChildren(make("span", {}, event ? t("head.event", { date: day(event) }) : t("head.no_event")),
    data.report.made ? make("span", { class: "made" }, " · ", make("span", {}, t("head.made", { date: day(data.report.made) }))) : "");
  document.title = t("head.page", { name: data.report.name ?? "" });
  byId("headline").replaceChildren(...headline());
  alerts();
  razor();
  ranks();
  byId("find-row").hidden = blocks.length < 12;
}

export function headline() {
  const hurt = ranked.filter((block) => block.pct > threshold);
  const worst = ranked[0];
  const parts = [];
  if (worst?.pct !== null && worst !== undefined) {
    parts.push(...sentence("head.worst", { block: own(worst.block, "b"), pct: make("b", {}, percent(worst.pct)), range: range(worst.low, worst.high) }), " ");
  }
  parts.push(...worstZone());
  parts.push(t(hurt.length ? "head.hurt" : "head.none_hurt", { hurt: number(hurt.length), all: number(blocks.length), threshold: percent(threshold) }));
  const over = data.report.area_over_threshold_ha;
  if (over && !spring) parts.push(" ", t("head.area", { area: area(over.mean), low: areaNumber(over.low), high: areaNumber(over.high), threshold: percent(threshold) }));
  const lost = data.report.crop_loss?.find((row) => row.whole && row.loss_pct !== null);
  if (lost) parts.push(" ", t("head.loss", { loss: percent(lost.loss_pct), range: range(lost.loss_low_pct, lost.loss_high_pct) }));
  return parts;
}

// What the razor is known to miss; once shoots were counted, what it missed here stands with the rest of spring's findings.
function razor() {
  byId("razor").hidden = Boolean(spring);
  byId("razor").textContent = t("razor", { agreement: percent(data.settings.razor.agreement_pct) });
}

// Where zones differ, a block's mean hides the worst of them.
function worstZone() {
  const [worst] = zones.filter((zone) => zone.injury_pct != null && zone.action !== "no_data").sort((a, b) => b.injury_pct - a.injury_pct);
  const block = worst && blocks[worst.block];
  if (!block || !byZone(block)) return [];
  return [...sentence("head.worst_zone", { zone: number(worst.zone), block: own(block.block, "b"), pct: make("b", {}, percent(worst.injury_pct)) }), " "];
}

// What must not be missed before the figures are used.
function alerts() {
  const box = byId("alerts");
  box.replaceChildren();
  const scores = data.report.scores;
  if (scores && scores.better_than_block_means === false) box.append(make("p", { class: "warn" }, t("scores.no_better")));
  if (typeof DecompressionStream === "undefined") box.append(make("p", { class: "warn" }, t("old_browser")));
  if (spring) {
    const [rests, ...found] = spring.findings;
    box.append(ofLanguage(rests, "p"), make("details", { class: "spring" }, make("summary", {}, t("grew.title", { count: number(found.length) })),
      make("ul", {}, found.map((text) => ofLanguage(text, "li")))));
  }
  const warnings = data.report.warnings ?? [];
  if (warnings.length) {
    box.append(make("details", { class: "warn" }, make("summary", {}, t("warnings", { count: number(warnings.length) })),
      make("ul", {}, warnings.map((text) => ofLanguage(text, "li")))));
  }
}

export function ranks() {
  const wanted = byId("find").value.trim().toLocaleLowerCase();
  const shown = ranked.filter((block) => `${block.block} ${block.variety ?? ""}`.toLocaleLowerCase().includes(wanted));
  byId("ranks").replaceChildren(...shown.map(rank));
}

function rank(block) {
  const facts = [block.variety && own(block.variety), block.area_ha != null && area(block.area_ha), block.vines != null && t("block.vines", { vines: number(block.vines) })].filter(Boolean);
  return make("li", {}, make("button", { type: "button", class: "rank", "aria-current": block.row === state.block, onclick: () => choose(block, { open: true }) },
    make("span", { class: "place" }, String(block.rank)),
    make("span", { class: "who" }, own(block.block, "b"), make("span", { class: "facts" }, facts.flatMap((fact, k) => (k ? [" · ", fact] : [fact])))),
    make("span", { class: "much" }, make("b", {}, percent(block.pct)), make("small", {}, range(block.low, block.high))),
    make("span", { class: "rests" }, cut(block)),
    bar(block.pct, block.low, block.high),
    make("span", { class: "act" }, swatches(block), actionName(block.action), nodes(block), byZone(block) ? zoneTasks(block, 3) : "")));
}

function nodes(block) {
  if (block.nodes_to_keep == null) return "";
  return make("span", { class: "keep" }, t("block.keep", { keep: number(block.nodes_to_keep) }));
}

// Choose a block (null: none): mark it, bring it into view, and open its page in the panel.
export function choose(block, { open = false, zoom = true } = {}) {
  state.block = block ? block.row : null;
  painters.marks.repaint();
  if (!block) return;
  if (zoom) fit(boxOfAll([block]), 0.9);
  if (open) {
    openDetail(block);
    unfold(true);
  }
}

export function openDetail(block) {
  detail(block, closeDetail);
}

export function closeDetail() {
  const row = state.block;
  byId("detail").hidden = true;
  byId("overview").hidden = false;
  state.block = null;
  painters.marks.repaint();
  ranks();
  const place = ranked.findIndex((block) => block.row === row);
  byId("ranks").children[place]?.querySelector("button").focus();
}
