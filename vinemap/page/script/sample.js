// A sample's popup: counts for each bud, and its canes node by node.

import { byId, make, own } from "../../web/script/dom.js";
import { day, metres, number, percent, range, sentence, t } from "../../web/script/words.js";
import { bar, budKey, strip } from "./charts.js";
import { blocks, data } from "./data.js";
import { map, narrow } from "./map.js";
import { painters } from "./painter.js";
import { state } from "./state.js";

export const popup = L.popup({ closeOnEscapeKey: false, minWidth: 240, maxWidth: 340, autoPanPaddingTopLeft: [12, 12], className: "sample-popup" });

export function showSample(sample) {
  state.sample = sample.row;
  const [lon, lat] = sample.place ?? blocks[sample.block].label;
  const size = map.getSize();
  popup.options.maxWidth = Math.min(360, size.x - 60);
  popup.options.maxHeight = Math.max(180, Math.round(size.y * (narrow() ? 0.72 : 0.6)));
  popup.options.autoPanPaddingBottomRight = [narrow() ? 12 : byId("layers").hidden ? 76 : 400, 12];
  popup.setLatLng([lat, lon]).setContent(sampleCard(sample)).openOn(map);
  closeName();
  painters.marks.repaint();
}

function closeName() {
  const cross = popup.getElement()?.querySelector(".leaflet-popup-close-button");
  cross?.setAttribute("aria-label", t("close"));
}

function sampleCard(sample) {
  const block = blocks[sample.block];
  const card = make("div", { class: "card" }, make("h2", {}, t("sample.title"), " ", own(sample.sample)));
  const place = [block ? own(block.block) : t("sample.no_block"), sample.date ? day(sample.date) : null].filter(Boolean);
  card.append(make("p", {}, place.flatMap((part, k) => (k ? [" · ", part] : [part]))));
  if (sample.vine_row) card.append(make("p", {}, t(sample.vine_from === "given" ? "readout.vine" : "sample.vine_about", { row: number(sample.vine_row), vine: number(sample.vine) })));
  if (sample.stated_block && sample.stated_block !== block?.block) {
    card.append(make("p", { class: "warn" }, sentence("sample.stated", { stated: sample.stated_block })));
  }
  if (!sample.place) card.append(make("p", { class: "warn" }, t("sample.no_place")));
  if (sample.distance_m > 0) card.append(make("p", { class: "warn" }, t("sample.outside", { distance: metres(sample.distance_m) })));
  card.append(countsTable(sample, false));
  if (sample.canes.length) {
    const keptNodes = data.settings.kept_nodes[block?.pruning] ?? 0;
    card.append(make("p", { class: "from-base" }, t("sample.from_base")));
    for (const cane of sample.canes) card.append(strip(cane, keptNodes));
    card.append(budKey());
  }
  return card;
}

// Dead, read and percent with its interval, a row a kind of bud (and, for blocks, a part of the cane).
export function countsTable(item, parts = true) {
  const rows = [
    ["primary", item.primary_dead, item.nodes, item.unread, item.injury_pct, item.injury_low_pct, item.injury_high_pct],
    ...["secondary", "tertiary", "no_live_bud", "frozen"].map((name) => countsOf(item, name)),
    ...(parts ? ["basal", "apical"].map((name) => countsOf(item, name)) : []),
  ].filter(([, , nodes]) => nodes);
  if (!rows.length) return make("p", {}, t("counts.none"));
  const head = ["counts.what", "counts.dead", "counts.share"].map((key) => make("th", { scope: "col" }, t(key)));
  return make("table", { class: "counts" }, make("thead", {}, make("tr", {}, head)), make("tbody", {}, rows.map(([name, dead, nodes, unread, pct, low, high]) =>
    make("tr", {},
      make("th", { scope: "row" }, t(`counts.${name}`)),
      make("td", {}, t("counts.of", { dead: number(dead), nodes: number(nodes) }), unread ? make("small", {}, t("counts.unread", { unread: number(unread) })) : ""),
      make("td", {}, make("b", {}, percent(pct)), " ", make("small", {}, range(low, high)), bar(pct, low, high))))));
}

function countsOf(item, name) {
  return [name, ...["dead", "nodes", "unread", "pct", "low_pct", "high_pct"].map((column) => item[`${name}_${column}`])];
}
