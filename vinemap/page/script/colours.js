// Colour maps and the layers that use them.

const ramps = Object.fromEntries(Object.entries(data.ramps).map(([name, ramp]) => [name, ramp.stops.map(rgb)]));

function rgb(hex) {
  return [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16));
}

function colour(ramp, share) {
  const stops = ramps[ramp];
  const x = Math.min(1, Math.max(0, share)) * (stops.length - 1);
  const k = Math.min(stops.length - 2, Math.floor(x));
  return stops[k].map((from, c) => Math.round(from + (stops[k + 1][c] - from) * (x - k)));
}

function css([r, g, b], alpha = 1) {
  return `rgba(${r},${g},${b},${alpha})`;
}

// Work, from the lightest to the heaviest; lightness falls with weight, so grey prints keep the order.
const ACTION_COLOURS = {
  no_data: "#fbfaf5",
  as_usual: "#dfe7c9",
  keep_more: "#e8c26a",
  look_again: "#8fb0bf",
  prune_long_wait: "#cf7b34",
  check_wood: "#9c4136",
  retrain: "#6a3560",
  replant_candidate: "#2e1d33",
};

function actionColour(code) {
  return ACTION_COLOURS[code] ?? "#b9b4a6";
}

const TISSUES = ["primary", "secondary", "no_live_bud"].filter((tissue) => surface.has(`${tissue}_injury`));

// What the map can show: its grid, colour map, and how a grid value becomes a share of the colour map.
const LAYERS = {
  action: { ramp: null },
  injury: { ramp: "injury", grid: (tissue) => `${tissue}_injury` },
  low: { ramp: "injury", grid: (tissue) => `${tissue}_low` },
  high: { ramp: "injury", grid: (tissue) => `${tissue}_high` },
  chance: { ramp: "chance", grid: () => "prob_over_threshold", primaryOnly: true },
  change: { ramp: "change", grid: () => "change", primaryOnly: true },
  none: { ramp: null },
};
const CHANGE_SPAN = 0.6; // the change layer's colours end at plus and minus this much

function shareOf(layer, value) {
  return layer === "change" ? 0.5 + value / (2 * CHANGE_SPAN) : value;
}

function offered(layer) {
  const kind = LAYERS[layer];
  return !kind.grid || TISSUES.some((tissue) => surface.has(kind.grid(tissue)));
}

function gridName() {
  const kind = LAYERS[state.layer];
  return kind.grid ? kind.grid(kind.primaryOnly ? "primary" : state.tissue) : null;
}

const state = {
  layer: offered("injury") ? "injury" : "action",
  tissue: TISSUES[0] ?? "primary",
  opacity: 85,
  zones: false,
  contours: true,
  samples: true,
  names: true,
  few: true,
  online: false,
  block: null,
  sample: null,
};
