// Building blocks of the page: every text goes in as text, never as markup.

const SVG = "http://www.w3.org/2000/svg";

export function make(tag, attributes = {}, ...children) {
  return fill(document.createElement(tag), attributes, children);
}

export function draw(tag, attributes = {}, ...children) {
  return fill(document.createElementNS(SVG, tag), attributes, children);
}

export function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "onclick") node.addEventListener("click", value);
    else if (value !== null && value !== undefined && value !== false) node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children.flat(2).filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}

export function byId(id) {
  return document.getElementById(id);
}

// A piece of the user's own text: isolated, so that right-to-left marks cannot reorder what stands beside it.
export function own(text, tag = "bdi", attributes = {}) {
  return make(tag, { dir: "auto", ...attributes }, isolated(String(text)));
}

// As vinemap/characters.py shuts text in: an element is no wall, for a U+2069 in its text closes its isolate.
export function isolated(text) {
  if (!/[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]/.test(text)) return text;
  let depth = 1;
  const kept = [...text].filter((letter) => {
    if (letter === "\u2069" && depth === 1) return false;
    depth += Number("\u2066\u2067\u2068".includes(letter)) - Number(letter === "\u2069");
    return true;
  });
  return `\u2068${kept.join("")}${"\u2069".repeat(depth)}`;
}

export function icon(path) {
  return draw("svg", { viewBox: "0 0 24 24", width: 24, height: 24, "aria-hidden": "true", class: "icon" }, draw("path", { d: path }));
}

export const ICONS = {
  plus: "M12 5v14M5 12h14",
  minus: "M5 12h14",
  whole: "M4 9V4h5M15 4h5v5M20 15v5h-5M9 20H4v-5",
  locate: "M12 3v4M12 17v4M3 12h4M17 12h4M12 8a4 4 0 1 0 0 8a4 4 0 0 0 0-8",
  layers: "M12 4l9 5l-9 5l-9-5zM3 14l9 5l9-5",
  close: "M6 6l12 12M18 6L6 18",
  back: "M15 5l-7 7l7 7",
  forward: "M9 5l7 7l-7 7",
  up: "M5 15l7-7l7 7",
  menu: "M4 6h16M4 12h16M4 18h16",
  slice: "M12 3a9 9 0 1 0 0 18a9 9 0 0 0 0-18M12 7a5 5 0 1 0 0 10a5 5 0 0 0 0-10M12 11v2",
};
