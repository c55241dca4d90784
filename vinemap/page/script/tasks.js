// What to do in a zone, in one line; and whether a block is worked by zone, which its row alone decides.

import { make } from "../../web/script/dom.js";
import { actionName, number, paced, percent, t } from "../../web/script/words.js";
import { swatch } from "./charts.js";
import { actionColour } from "./colours.js";
import { blocks, canes, data, spring, zones } from "./data.js";
import { cut } from "./evidence.js";
import { state } from "./state.js";

export const byZone = (block) => block.action === "work_by_zone";

// Nodes to leave now and after budbreak, where vines are pruned twice.
export const twice = ({ nodes_now_low: low, nodes_now_high: high, nodes_after_budbreak: after }) =>
  t("do.twice", { low: number(low), high: number(high), after: number(after) });

// The zones that are drawn: all where they are asked for; on paper those of every block where they differ, for its list
// names them; else those of such a block while it is chosen.
export function zonesDrawn() {
  if (state.zones || state.layer === "action") return zones;
  if (state.printing) return blocks.filter(byZone).flatMap((block) => block.zonesHere);
  const chosen = blocks[state.block];
  return chosen && byZone(chosen) ? chosen.zonesHere : [];
}

export function task(zone, block) {
  if (zone.action === "no_data") return t("task.no_data");
  if (zone.action === "look_again" && zone.grade === "trunks_dead") return t("do.unknown_roots");
  if (zone.nodes_now_low != null) return twice(zone);
  if (zone.nodes_to_keep == null) return zone.action === "keep_more" ? t("do.extra", { extra: percent(zone.extra_pct) }) : t("task.named", { action: actionName(zone.action) });
  const keep = number(zone.nodes_to_keep);
  if (zone.action === "as_usual") return t(assumed(block) ? "task.as_usual_assumed" : "task.as_usual", { keep });
  return t("do.nodes", { keep, usual: usualWords(block) });
}

const assumed = (block) => block.target_from === "spacing";

// The nodes of a normal year, called assumed where they are a guess from the vine spacing.
export function usualWords(block) {
  const usual = number(block.target_nodes ?? block.nodes_per_vine);
  return assumed(block) ? t("do.assumed", { usual }) : usual;
}

// The colours of a block's tasks: its own, or its zones', the worst zone's first.
export function swatches(block) {
  const codes = byZone(block) ? [...new Set(block.zonesHere.map((zone) => zone.action))] : [block.action];
  return codes.map((code) => swatch(actionColour(code)));
}

// An entry a zone: its number, vines and injury, its task, and what was cut in it; past `most` only how many more.
export function zoneTasks(block, most = Infinity, tag = "span") {
  const shown = block.zonesHere.length > most + 1 ? block.zonesHere.slice(0, most) : block.zonesHere;
  const entries = shown.map((zone) => make(tag, { class: "zone-task" }, swatch(actionColour(zone.action)), make("span", {},
    make("b", {}, t("zones.zone", { zone: number(zone.zone) })), ` ${zoneFacts(zone)}`,
    make("span", { class: "zone-do" }, task(zone, block)), where(zone), canesAt(zone), make("span", { class: "rests" }, cut(zone)))));
  const more = block.zonesHere.length - shown.length;
  return more ? [...entries, make(tag, { class: "zone-task" }, t("by_zone.more", { count: number(more) }))] : entries;
}

const rests = (text) => make("span", { class: "rests" }, text);

// Where in its block a zone lies: which vine rows it holds whole and which in part or, where rows are not known, how far
// from a corner; nothing where it is the whole block.
export function where(zone) {
  const { rows_whole: whole, rows_part: part, corner, side } = zone;
  if (whole || part) return rests(t(whole && part ? "rows.both" : whole ? "rows.whole" : "rows.part", { whole, part }));
  if (!side) return "";
  const [along, across] = [zone.along_to_m != null, zone.in_to_m != null];
  const [start, end] = along ? paced(zone.along_from_m, zone.along_to_m) : [];
  const [near, far] = across ? paced(zone.in_from_m, zone.in_to_m) : [];
  const key = along ? (across ? "place.corner" : "place.width") : across ? "place.length" : "place.all";
  return rests(t(key, { corner: t(`plan.side.${corner.toLowerCase()}`), side: t(`plan.side.${side.toLowerCase()}`), start, end, near, far }));
}

// How many canes more a zone asks for before it is acted on, and where; or that no number would tell.
function canesAt(zone) {
  if (zone.canes_more) return [rests(t("canes.more", { count: number(zone.canes_more) })), placesOf(zone)];
  const doubtful = !spring && zone.canes_more == null && zone.sure_pct != null && zone.sure_pct < data.settings.unsure_under;
  return doubtful ? rests(t("canes.never")) : "";
}

// At which vines, where rows are known; the map shows all of them.
export function placesOf(zone) {
  const places = canes.filter((cane) => cane.zone === zone.zone);
  const names = places.map(({ sample, row, vine }) => (row == null ? sample : t(vine == null ? "canes.row" : "canes.vine", { sample, row, vine })));
  return rests(t(places.some(({ row }) => row != null) ? "canes.at" : "canes.on_map", { places: names.join(", ") }));
}

function zoneFacts(zone) {
  const vines = zone.vines == null ? "" : t("by_zone.vines", { vines: number(zone.vines) });
  const dead = zone.injury_pct == null ? "" : t("zones.dead", { pct: percent(zone.injury_pct) });
  return [vines, dead].filter(Boolean).join(" · ");
}
