// Words and numbers in the reader's language and units.

import { isolated, own } from "./dom.js";

const ACRES_PER_HA = 1 / 0.40468564224;
export const FEET_PER_M = 1 / 0.3048;

// Who changes the language or the units calls `changed`; the page puts in what it says again.
export const words = { language: "en", units: "metric", texts: {}, spring: false, changed: () => {} };

// After budbreak a key says what stands under "spring." and its name, where there is such a text.
function textOf(key) {
  const { texts, language } = words;
  const name = words.spring && `spring.${key}` in texts.en ? `spring.${key}` : key;
  return texts[language][name] ?? texts.en[name] ?? key;
}

// The text of a key; {name} is replaced by the value given for it. A text missing in one language is shown in English.
export function t(key, values = {}) {
  return textOf(key).replace(/\{(\w+)\}/g, (whole, name) => (name in values ? isolated(String(values[name])) : whole));
}

// An element with a sentence that came in every language; one that did not is English.
export function ofLanguage(sentences, tag) {
  const language = words.language in sentences ? words.language : "en";
  return own(sentences[language], tag, { lang: language });
}

export function hasText(key) {
  return key in words.texts.en;
}

// As t, but the values stay nodes: for sentences that hold the user's own text.
export function sentence(key, values = {}) {
  return textOf(key).split(/(\{\w+\})/).map((piece) => {
    const name = /^\{(\w+)\}$/.exec(piece);
    if (!name || !(name[1] in values)) return piece;
    const value = values[name[1]];
    return value instanceof Node ? value : own(value);
  });
}

export function number(value, digits = 0) {
  return formatted(value, "decimal", digits);
}

export function percent(value, digits = 0) {
  return formatted(value == null ? value : value / 100, "percent", digits);
}

const formats = new Map(); // a browser takes long to make one

function formatted(value, style, digits) {
  if (value === null || value === undefined) return "–";
  const key = `${words.language}/${style}/${digits}`;
  if (!formats.has(key)) formats.set(key, new Intl.NumberFormat(words.language, { style, minimumFractionDigits: digits, maximumFractionDigits: digits }));
  return formats.get(key).format(value);
}

export function signed(points) {
  return points === null ? "–" : `${points > 0 ? "+" : points < 0 ? "−" : ""}${number(Math.abs(points))}`;
}

// "31 to 47 %"
export function range(low, high, digits = 0) {
  if (low === null || low === undefined || high === null || high === undefined) return t("range.none");
  return t("range", { low: number(low, digits), high: percent(high, digits) });
}

export function area(hectares) {
  if (hectares === null || hectares === undefined) return "–";
  const us = words.units === "us";
  return t(us ? "unit.acres" : "unit.ha", { value: number(us ? hectares * ACRES_PER_HA : hectares, 1) });
}

// In a table, where the unit has little room.
export function areaCell(hectares) {
  if (hectares === null || hectares === undefined) return "–";
  return t(words.units === "us" ? "unit.ac" : "unit.ha", { value: areaNumber(hectares) });
}

export function areaNumber(hectares) {
  return number(words.units === "us" ? hectares * ACRES_PER_HA : hectares, 1);
}

export function metres(value, digits = 1) {
  const us = words.units === "us";
  return t(us ? "unit.ft" : "unit.m", { value: number(us ? value * FEET_PER_M : value, us ? Math.max(0, digits - 1) : digits) });
}

export function celsius(value, digits = 1) {
  const us = words.units === "us";
  return t(us ? "unit.fahrenheit" : "unit.celsius", { value: number(us ? (value * 9) / 5 + 32 : value, digits) });
}

// Both ends of a span, outward to what can be paced out: whole 5 metres or 10 feet; the unit stands after the second.
export function paced(start, end) {
  const us = words.units === "us";
  const [per, step] = us ? [FEET_PER_M, 10] : [1, 5];
  const last = Math.ceil((end * per) / step) * step;
  return [number(Math.floor((start * per) / step) * step), t(us ? "unit.ft" : "unit.m", { value: number(last) })];
}

// A terrain statistic in the unit that its layer's name ends in; what has none is a share of fall.
export function measured(layer, value) {
  if (layer.endsWith("_m")) return metres(value);
  return layer.endsWith("_deg") ? `${number(value, 1)}°` : percent(100 * value);
}

export function day(iso) {
  const [year, month, date] = iso.slice(0, 10).split("-").map(Number);
  return new Date(Date.UTC(year, month - 1, date)).toLocaleDateString(words.language, {
    timeZone: "UTC", year: "numeric", month: "short", day: "numeric",
  });
}

export function actionName(code) {
  return hasText(`action.${code}`) ? t(`action.${code}`) : code;
}

// Put words on everything that carries a key.
export function label(root = document) {
  for (const node of root.querySelectorAll("[data-t]")) node.textContent = t(node.dataset.t);
  for (const node of root.querySelectorAll("[data-label]")) {
    node.setAttribute("aria-label", t(node.dataset.label));
    if (node.tagName === "BUTTON") node.title = t(node.dataset.label);
  }
}
