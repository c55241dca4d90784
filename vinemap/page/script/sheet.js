// The printed sheet: map and legend above, then the ranked table, what to do, cautions and sources.

import { byId, fill, make, own } from "../../web/script/dom.js";
import { actionName, areaCell, hasText, number, ofLanguage, percent, range, t } from "../../web/script/words.js";
import { cautions, sources } from "./about.js";
import { swatch } from "./charts.js";
import { actionColour } from "./colours.js";
import { blocks, data, jobs, ranked, spring } from "./data.js";
import { cut } from "./evidence.js";
import { boxOfAll, toLonLat } from "./geometry.js";
import { at, by, dues, facts, sums } from "./jobs.js";
import { headline } from "./list.js";
import { map } from "./map.js";
import { painters, startPainting } from "./painter.js";
import { state } from "./state.js";
import { byZone, zoneTasks } from "./tasks.js";

// A cell of the table whose figure and unit stay together.
const amount = (content) => make("td", { class: "amount" }, content);

function sheet() {
  const head = ["rank", "block", "variety", "area", "vines", "injury", "range", "action", !spring && "nodes"].filter(Boolean).map((key) => make("th", { scope: "col" }, t(`sheet.${key}`)));
  const rows = ranked.map((block) => [make("tr", byZone(block) ? { class: "parted" } : {},
    make("td", {}, String(block.rank)), make("th", { scope: "row" }, own(block.block), make("span", { class: "rests" }, cut(block))), make("td", { class: "variety" }, own(block.variety ?? "–")),
    amount(areaCell(block.area_ha)), amount(number(block.vines)), amount(make("b", {}, percent(block.pct))), amount(range(block.low, block.high)),
    make("td", {}, actionName(block.action)), spring ? "" : make("td", {}, number(block.nodes_to_keep))),
  byZone(block) ? make("tr", {}, make("td", {}), make("td", { colspan: String(head.length - 1), class: "parts" }, zoneTasks(block, Infinity, "div"))) : ""]);
  const tasks = new Set(blocks.flatMap((block) => (byZone(block) ? block.zonesHere : [block]).map(({ action }) => action)));
  const present = Object.keys(data.action_colours).filter((code) => tasks.has(code) && hasText(`do.${code}`));
  const warnings = data.report.warnings ?? [];
  const page = byId("sheet");
  page.replaceChildren();
  fill(page, {}, [
    make("p", { class: "headline" }, headline()),
    data.report.scores?.better_than_block_means === false ? make("p", { class: "warn" }, t("scores.no_better")) : "",
    spring ? [make("h2", {}, t("grew.title", { count: number(spring.findings.length) })), make("ul", {}, spring.findings.map((text) => ofLanguage(text, "li")))] : "",
    make("h2", {}, t("blocks.title")),
    make("table", {}, make("thead", {}, make("tr", {}, head)), make("tbody", {}, rows)),
    blocks.some(byZone) ? make("p", { class: "hint" }, t("sheet.zones")) : "",
    workTable(),
    make("h2", {}, t("detail.work")),
    make("dl", {}, present.map((code) => [make("dt", {}, swatch(actionColour(code)), " ", actionName(code)), make("dd", {}, t(`do.${code}`))])),
    make("h2", {}, t("cautions.title")), cautions(),
    warnings.length ? [make("h2", {}, t("warnings", { count: number(warnings.length) })), make("ul", {}, warnings.map((text) => ofLanguage(text, "li")))] : "",
    make("h2", {}, t("sources.title")), sources(),
  ]);
}

// The work in its order, a line a task.
function workTable() {
  if (!jobs.length) return "";
  const head = ["work.number", "still.task", "still.block", "work.takes"].map((key) => make("th", { scope: "col" }, t(key)));
  const bodies = dues().map(([due, here]) => make("tbody", {},
    make("tr", { class: "due" }, make("th", { scope: "rowgroup", colspan: String(head.length) }, due)),
    here.map((job) => make("tr", {}, make("td", {}, number(job.visit)), make("td", {}, actionName(job.task)), make("td", {}, at(job)),
      make("td", {}, facts(job), make("span", { class: "rests" }, by(job)))))));
  return [make("h2", {}, t("work.title")), make("table", { class: "tasks" }, make("thead", {}, make("tr", {}, head)), bodies), make("p", { class: "hint" }, sums())];
}

// Give the map the paper's size while it is printed; the browser lays out the page for print after this returns.
function printing(on) {
  if (document.body.classList.contains("printing") === on) return;
  if (on) sheet();
  startPainting(); // printed as soon as it is loaded, the map has its outlines and names at least
  const shown = !on || state.block === null ? wholeBounds() : map.getBounds();
  document.body.classList.toggle("printing", on);
  state.printing = on;
  map.invalidateSize({ animate: false, pan: false });
  if (on) {
    screenView = { center: map.getCenter(), zoom: map.getZoom() };
    map.fitBounds(shown, { animate: false, padding: [14, 14] });
  } else if (screenView) map.setView(screenView.center, screenView.zoom, { animate: false });
  for (const painter of Object.values(painters)) painter._update();
}

// A sheet shows the whole vineyard; with a block open, what the screen shows.
function wholeBounds() {
  const [x0, y0, x1, y1] = boxOfAll(blocks);
  return [toLonLat(x0, y1).reverse(), toLonLat(x1, y0).reverse()];
}

let screenView = null;

export function watchPrint() {
  window.addEventListener("beforeprint", () => printing(true));
  window.addEventListener("afterprint", () => printing(false));
  matchMedia("print").addEventListener("change", (event) => printing(event.matches));
}
