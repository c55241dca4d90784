// What a figure rests on, in words, and how sure it may be called.

import { number, percent, t } from "../../web/script/words.js";
import { data } from "./data.js";

// "10 samples, 20 canes, 200 nodes cut"; that it is the map alone where nothing was cut; empty where that is not known.
export function cut(item) {
  if (item.samples == null) return "";
  if (!item.samples) return t("evidence.none");
  const told = Object.fromEntries(["samples", "canes", "nodes"].filter((key) => item[key] != null).map((key) => [key, counted(key, item[key])]));
  return t(told.canes ? "evidence.canes" : "evidence.samples", told);
}

export function counted(key, count) {
  return t(`count.${key}.${count === 1 ? "one" : "many"}`, { count: number(count) });
}

// Whether a block or a zone rests on enough to be sure of anything; what does not say is taken as enough.
export const enough = ({ evidence }) => evidence == null || evidence === "enough";

// A probability as far as it may be told: in bounds, and only with evidence enough; one cut off at its bound is beyond it.
export function probability(pct, item, cutOff = false) {
  if (!enough(item)) return t(`evidence.${item.evidence}`);
  const most = data.settings.most_sure;
  if (pct == null) return "–";
  if (cutOff ? pct >= most : pct > most) return t("evidence.more_than", { pct: percent(most) });
  return pct < 100 - most ? t("evidence.less_than", { pct: percent(100 - most) }) : percent(pct);
}

// That the cuts of a block and its map lie far apart, and why; empty where they do not.
export function differs(block) {
  if (!block.differs) return "";
  const stem = block.basal_pct == null ? "injury" : "basal";
  const [dead, low, high] = ["", "_low", "_high"].map((end) => number(block[`${stem}${end}_pct`]));
  let why = t(`differs.${block.differs}`, { at: number(block.map_at_samples_pct) });
  const above = block.samples_above_m;
  if (block.differs === "place of the samples" && Math.abs(above ?? 0) >= 0.5) {
    why = t("differs.and", { why, height: t(above > 0 ? "differs.higher" : "differs.lower", { metres: number(Math.abs(above), 1) }) });
  }
  return t("differs", { cut: dead, cut_low: low, cut_high: high, map: number(block.map_injury_pct), map_low: number(block.map_low_pct), map_high: number(block.map_high_pct), why });
}
