// The tables that the page carries, as lists of rows.

import { byId } from "../../web/script/dom.js";
import { boxOf, toWorld, world } from "./geometry.js";

export const data = JSON.parse(byId("vinemap-data").textContent);
export const threshold = Math.round(data.settings.threshold * 100);
export const blocks = rowsOf(data.blocks);
export const zones = rowsOf(data.zones);
export const samples = rowsOf(data.samples);
export const loggers = data.night ? rowsOf(data.night.loggers) : [];
export const protection = rowsOf(data.protection);
export const jobs = rowsOf(data.work);
export const canes = rowsOf(data.canes);
export const placed = samples.filter((sample) => sample.at); // the others are known by their block alone

// What the map rests on: buds that the razor showed or, after budbreak, nodes with no shoot.
export const spring = data.report.spring ?? null;
export const LEADING = spring ? "no_live_bud" : "primary";

for (const zone of spring ? zones : []) {
  for (const end of ["", "_low", "_high"]) zone[`injury${end}_pct`] = zone[`no_live_bud${end}_pct`];
}

for (const block of blocks) {
  const [mapped, cut, ends] = spring ? ["map_no_live_bud", "no_live_bud", "map_no_live_bud"] : ["map_injury", "injury", "map"];
  const seen = block[`${mapped}_pct`] == null;
  block.pct = block[`${mapped}_pct`] ?? block[`${cut}_pct`] ?? null;
  block.low = block[`${seen ? cut : ends}_low_pct`];
  block.high = block[`${seen ? cut : ends}_high_pct`];
  block.samplesHere = samples.filter((sample) => sample.block === block.row);
  block.zonesHere = zones.filter((zone) => zone.block === block.row);
}

const byNumber = new Map(zones.map((zone) => [zone.zone, zone]));
export const zoneNumbered = (number) => byNumber.get(number) ?? null;

// What a block is ranked by: one with too few samples comes last, whatever the map guesses there.
export const judged = (block) => (block.action === "no_data" ? -1 : block.pct ?? -1);
export const ranked = [...blocks].sort((a, b) => judged(b) - judged(a) || a.row - b.row);
ranked.forEach((block, place) => { block.rank = place + 1; });

function rowsOf(table) {
  const names = Object.keys(table).filter((name) => Array.isArray(table[name]));
  const first = table[names[0]] ?? [];
  return first.map((_, row) => {
    const item = { row };
    for (const name of names) item[name] = table[name][row];
    if (item.outline) {
      item.rings = item.outline.map(world);
      item.box = boxOf(item.rings);
      item.outline = null;
    }
    const place = item.label ?? item.place;
    if (place) item.at = toWorld(place[0], place[1]);
    return item;
  });
}

export function changeOf(block) {
  return block.earlier_pct === null || block.earlier_pct === undefined || block.pct === null ? null : block.pct - block.earlier_pct;
}
