// One block: what died, what to do, and the sums behind it; `back` is what its button does.

import { ICONS, byId, icon, make, own } from "../../web/script/dom.js";
import { actionName, area, areaCell, areaNumber, hasText, number, ofLanguage, percent, range, signed, t } from "../../web/script/words.js";
import { cautions } from "./about.js";
import { bar, nodeChart, swatch } from "./charts.js";
import { actionColour } from "./colours.js";
import { LEADING, blocks, changeOf, data, spring, threshold } from "./data.js";
import { cut, differs, enough, probability } from "./evidence.js";
import { map, narrow } from "./map.js";
import { unfold } from "./panel.js";
import { countsTable, showSample } from "./sample.js";
import { byZone, swatches, twice, usualWords, zoneTasks } from "./tasks.js";

export function detail(block, back) {
  const box = byId("detail");
  box.replaceChildren(
    make("button", { type: "button", class: "back", onclick: back }, icon(ICONS.back), t("detail.back")),
    make("h2", { tabindex: "-1", id: "detail-name" }, own(block.block)),
    facts(block),
    make("div", { class: "figures" }, make("p", { class: "big" }, percent(block.pct)), make("p", { class: "of" }, t(`tissue.${LEADING}.dead`), make("br"), range(block.low, block.high))),
    bar(block.pct, block.low, block.high),
    make("p", { class: "rests" }, cut(block)),
    enough(block) ? "" : make("p", { class: "warn" }, t(`evidence.${block.evidence}.block`)),
    block.differs ? make("p", { class: "warn" }, differs(block)) : "",
    work(block),
    why(block),
    make("h3", {}, t("detail.counts")),
    countsTable(block),
    make("p", { class: "hint" }, hasText(`interval.${block.interval}`) ? t(`interval.${block.interval}`, { confidence: percent(100 * data.settings.confidence) }) : ""),
    nodeChart(block) ?? "",
    zoneList(block),
    sampleList(block),
    make("h3", {}, t("cautions.title")),
    cautions(),
  );
  box.hidden = false;
  byId("overview").hidden = true;
  byId("panel-inside").scrollTop = 0;
  byId("detail-name").focus({ preventScroll: true });
}

function facts(block) {
  const parts = [
    block.variety && own(block.variety),
    block.species_group && hasText(`group.${block.species_group}`) && t(`group.${block.species_group}`),
    block.area_ha != null && area(block.area_ha),
    block.vines != null && t(block.vines_from === "spacing" ? "block.vines_reckoned" : "block.vines", { vines: number(block.vines) }),
    block.pruning && t(`pruning.${block.pruning}`),
    block.own_rooted != null && t(block.own_rooted ? "block.own_rooted" : "block.grafted"),
    block.hilled && t("block.hilled"),
    t("block.rank", { rank: number(block.rank), all: number(blocks.length) }),
  ].filter(Boolean);
  return make("p", { class: "facts" }, parts.flatMap((part, k) => (k ? [" · ", part] : [part])));
}

function work(block) {
  const code = block.action;
  const box = make("section", { class: "work" }, make("h3", {}, t("detail.work")),
    make("p", { class: "act" }, swatches(block), actionName(code)));
  if (hasText(block.advice)) box.append(make("p", {}, t(block.advice)));
  if (block.nodes_now_low != null) box.append(make("p", { class: "nodes-to-keep" }, twice(block)));
  if (byZone(block)) box.append(make("ul", { class: "zone-tasks" }, zoneTasks(block, Infinity, "li")));
  const nodes = nodesToKeep(block);
  if (nodes) box.append(make("p", { class: "nodes-to-keep" }, nodes));
  if (!spring && block.trunks_hurt && (nodes || block.zonesHere.some((zone) => zone.nodes_to_keep != null))) box.append(make("p", {}, t("do.trunks_hurt")));
  // What the wood asks for next: more vines, deeper cuts, an eye for disease, another visit.
  box.append(...block.wood_asks.map((text) => ofLanguage(text, "p")));
  // Hedging, and suckers: how the vines are brought through.
  box.append(...block.care.map((which) => ofLanguage(data.care[which], "p")));
  return box;
}

// Nodes a vine with their interval; where the usual number is not known, how many percent more.
function nodesToKeep(block) {
  const { nodes_to_keep: keep, nodes_to_keep_low: low, nodes_to_keep_high: high } = block;
  if (keep == null) return block.extra_pct > 0 ? t("do.extra", { extra: percent(block.extra_pct) }) : "";
  const parts = [t("do.nodes", { keep: number(keep), usual: usualWords(block) })];
  if (low != null && high == null) parts.push(t("do.nodes_or_more", { low: number(low) }));
  else if (low != null && low !== high) parts.push(t("do.nodes_interval", { low: number(low), high: number(high) }));
  return parts.join(" ");
}

function usualNodes(block) {
  return block.target_nodes ?? block.nodes_per_vine;
}

// The sums, in the order in which they are done.
function why(block) {
  const steps = [];
  if (block.nodes) steps.push(t("why.cut", { dead: number(block.primary_dead), nodes: number(block.nodes), pct: percent(block.injury_pct), range: range(block.injury_low_pct, block.injury_high_pct) }));
  else steps.push(t("why.no_cut"));
  if (block.basal_nodes) {
    steps.push(t("why.basal", { kept: number(data.settings.kept_nodes[block.pruning]), dead: number(block.basal_dead), nodes: number(block.basal_nodes), pct: percent(block.basal_pct), range: range(block.basal_low_pct, block.basal_high_pct) }));
  }
  if (block.map_injury_pct != null) steps.push(t("why.map", { pct: percent(block.map_injury_pct), range: range(block.map_low_pct, block.map_high_pct) }));
  if (spring) steps.push(...grown(block));
  else steps.push(...pruned(block));
  steps.push(...crop(block), ...woodChecks(block));
  return make("section", {}, make("h3", {}, t("detail.why")), make("ol", { class: "sums" }, steps.map((text) => make("li", {}, text))));
}

// From what grew to what to do.
function grown(block) {
  const steps = [];
  if (block.no_live_bud_nodes) {
    steps.push(t("why.blind", { dead: number(block.no_live_bud_dead), nodes: number(block.no_live_bud_nodes), pct: percent(block.no_live_bud_pct), range: range(block.no_live_bud_low_pct, block.no_live_bud_high_pct), counted: number(block.counted_samples), samples: number(block.samplesHere.length) }));
  }
  if (block.map_no_live_bud_pct != null) steps.push(t("why.blind_map", { pct: percent(block.map_no_live_bud_pct), range: range(block.map_no_live_bud_low_pct, block.map_no_live_bud_high_pct) }));
  const [some, most] = data.settings.blind_limits;
  steps.push(t("why.blind_limits", { some: percent(some), most: percent(most) }));
  if (block.no_shoot_vines) steps.push(t("why.no_shoot", { vines: number(block.no_shoot_vines), suckers: number(block.sucker_vines) }));
  if (block.map_frozen_pct != null) steps.push(t("why.frozen", { pct: percent(block.map_frozen_pct), range: range(block.map_frozen_low_pct, block.map_frozen_high_pct) }));
  if (block.nodes_left != null) steps.push(t("why.nodes_left", { left: number(block.nodes_left, 1), usual: number(usualNodes(block)) }));
  return steps;
}

// From dead buds to nodes, by the pruning rule.
function pruned(block) {
  const steps = block.pct == null ? [] : [net(block)];
  if (block.area_over_ha != null) {
    steps.push(t("why.area", { area: area(block.area_over_ha), low: areaNumber(block.area_over_low_ha), high: areaNumber(block.area_over_high_ha), threshold: percent(threshold) }));
  }
  const change = changeOf(block);
  if (change !== null) steps.push(t("why.change", { before: percent(block.earlier_pct), now: percent(block.pct), points: signed(change) }));
  if (hasText(`rule.${data.settings.rule}`)) steps.push([t(`rule.${data.settings.rule}`), " (", own(data.settings.rule_source), ")"]);
  if (block.target_from && hasText(`target.${block.target_from}`)) steps.push(t(`target.${block.target_from}`, { usual: number(block.target_nodes) }));
  if (block.extra_pct != null) steps.push(t("why.extra", { extra: percent(block.extra_pct, 1), range: range(block.extra_low_pct, block.extra_high_pct, 1) }));
  if (block.extra_pct != null && block.nodes_to_keep != null) {
    steps.push(t("why.nodes", { usual: number(usualNodes(block)), keep: number(block.nodes_to_keep), factor: number(1 + block.extra_pct / 100, 3) }));
  }
  return steps;
}

// What of the dead the freeze itself killed.
function net({ pct, dead_before_pct: before, net_injury_pct: killed, net_low_pct: low, net_high_pct: high }) {
  if (before == null || killed == null) return t("why.net_unknown");
  if (pct < before) return t("why.net_none", { before: percent(before) });
  return t("why.net", { before: percent(before), pct: percent(killed), range: range(low, high) });
}

function crop(block) {
  const values = (when) => ({ pct: percent(block[`crop_${when}_pct`]), range: range(block[`crop_${when}_low_pct`], block[`crop_${when}_high_pct`]) });
  return ["before", "after"].filter((when) => block[`crop_${when}_pct`] != null).map((when) => t(`why.crop_${when}`, values(when)));
}

function woodChecks(block) {
  return ["trunk", "cordon", "cane"].flatMap((wood) => ["phloem", "hurt", "dead"].map((state) => [wood, state]))
    .filter(([wood, state]) => block[`${wood}_${state}_read`] > 0)
    .map(([wood, state]) => {
      const value = (column) => block[`${wood}_${state}_${column}`];
      return t(`why.wood_${state}`, { wood: t(`wood.${wood}`), vines: number(value("vines")), read: number(value("read")), pct: percent(value("pct")), range: range(value("low_pct"), value("high_pct")) });
    });
}

function zoneList(block) {
  if (!block.zonesHere.length) return "";
  const sure = block.zonesHere.some((zone) => zone.sure_pct != null || !enough(zone));
  const keys = ["injury", sure && "sure", "area", "vines", !spring && "nodes"].filter(Boolean);
  const bodies = block.zonesHere.map((zone) => make("tbody", {},
    make("tr", {}, make("th", { scope: "rowgroup", colspan: String(keys.length) },
      t("zones.zone", { zone: number(zone.zone) }), " ", swatch(actionColour(zone.action)), " ", actionName(zone.action))),
    make("tr", {}, keys.map((key) => make("td", {}, zoneValue(zone, key)))),
    make("tr", {}, make("td", { class: "rests", colspan: String(keys.length) }, zoneRests(zone)))));
  const head = keys.map((key) => make("th", { scope: "col" }, t(`zones.${key}`)));
  return make("section", {}, make("h3", {}, t("zones.title")), make("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": t("zones.title") },
    make("table", { class: "zones" }, make("thead", {}, make("tr", {}, head)), bodies)));
}

// What was cut in a zone, and why that is not enough where it is not.
function zoneRests(zone) {
  return zone.samples && !enough(zone) ? `${cut(zone)}; ${t(`evidence.${zone.evidence}`)}` : cut(zone);
}

function zoneValue(zone, key) {
  return {
    injury: () => within(percent(zone.injury_pct), zone.injury_low_pct == null ? "" : range(zone.injury_low_pct, zone.injury_high_pct)),
    sure: () => (enough(zone) ? probability(zone.sure_pct, zone, true) : t("evidence.no sample")),
    area: () => areaCell(zone.area_ha),
    vines: () => number(zone.vines),
    nodes: () => (zone.nodes_now_low == null ? within(number(zone.nodes_to_keep), nodesRange(zone))
      : t("zones.twice", { low: number(zone.nodes_now_low), high: number(zone.nodes_now_high), after: number(zone.nodes_after_budbreak) })),
  }[key]();
}

// A value with its interval below it.
function within(value, interval) {
  return interval ? [value, make("small", {}, interval)] : value;
}

function nodesRange({ nodes_to_keep: keep, nodes_to_keep_low: low, nodes_to_keep_high: high }) {
  if (keep == null || low == null || low === high) return "";
  return high == null ? t("range.or_more", { low: number(low) }) : t("range", { low: number(low), high: number(high) });
}

function sampleList(block) {
  const items = block.samplesHere.map((sample) => make("li", {}, make("button", { type: "button", class: "plain", onclick: () => goToSample(sample) },
    own(sample.sample, "b"), " ", sample.nodes ? t("counts.of_dead", { dead: number(sample.primary_dead), nodes: number(sample.nodes) }) : t("counts.none"))));
  return make("section", {}, make("h3", {}, t("detail.samples", { count: number(items.length) })),
    items.length ? make("ul", { class: "samples" }, items) : make("p", {}, t("detail.no_samples")));
}

function goToSample(sample) {
  if (narrow()) unfold(false);
  if (sample.place) {
    const [lon, lat] = sample.place;
    map.setView([lat, lon], Math.max(map.getZoom(), 17), { animate: false });
  }
  showSample(sample);
}
