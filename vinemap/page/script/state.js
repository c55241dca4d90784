// What is shown and chosen now.

import { LEADING } from "./data.js";
import { LAYERS, TISSUES, offered } from "./layers.js";

export const state = {
  layer: offered("injury") ? "injury" : "action",
  tissue: TISSUES.includes(LEADING) ? LEADING : TISSUES[0] ?? "primary",
  opacity: 85,
  zones: false,
  contours: true,
  samples: true,
  names: true,
  few: true,
  canes: false,
  protection: true,
  loggers: true,
  online: false,
  block: null,
  sample: null,
  printing: false,
};

export function gridName() {
  const kind = LAYERS[state.layer];
  return kind.grid ? kind.grid(kind.primaryOnly ? "primary" : state.tissue) : null;
}
