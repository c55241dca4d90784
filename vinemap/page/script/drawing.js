// What is drawn: terrain, injury, hatching, outlines.

import { paintLoggers, paintSamples } from "./circles.js";
import { CHOSEN, INK, REACH, actionColour, colour } from "./colours.js";
import { paintContours } from "./contours.js";
import { blocks, canes, protection, zones } from "./data.js";
import { LAYERS, shareOf, spanOf, surface, terrain } from "./layers.js";
import { paintNames } from "./names.js";
import { colourTable, place, raster, trace, visible } from "./painter.js";
import { gridName, state } from "./state.js";
import { zonesDrawn } from "./tasks.js";

const rasters = {};

export function paintTerrain(view) {
  if (!terrain || state.online) return;
  rasters.terrain ??= raster(terrain, "shade", colourTable(250, (code) => lit(code / 250)));
  if (!rasters.terrain) return;
  faded(rasters.terrain);
  place(view, terrain, rasters.terrain);
}

// Cool greys in shadow, near white in full light: the warm colours of injury stand out from both.
function lit(light) {
  const dark = [138, 146, 134];
  const bright = [253, 252, 244];
  const share = Math.min(1, Math.max(0, (light - 0.2) / 0.75));
  return dark.map((from, c) => Math.round(from + (bright[c] - from) * share));
}

// The terrain runs out softly rather than at a ruled edge.
function faded(canvas) {
  if (canvas.dataset.faded) return;
  canvas.dataset.faded = "yes";
  const context = canvas.getContext("2d");
  const { width, height } = canvas;
  const depth = 0.07 * Math.min(width, height);
  context.globalCompositeOperation = "destination-out";
  for (const [x0, y0, x1, y1] of [[0, 0, depth, 0], [width, 0, width - depth, 0], [0, 0, 0, depth], [0, height, 0, height - depth]]) {
    const edge = context.createLinearGradient(x0, y0, x1, y1);
    edge.addColorStop(0, "rgba(0,0,0,1)");
    edge.addColorStop(1, "rgba(0,0,0,0)");
    context.fillStyle = edge;
    context.fillRect(0, 0, width, height);
  }
}

export function paintSurface(view) {
  const { context } = view;
  if (state.layer === "action") {
    const pieces = zones.length ? zones : blocks;
    for (const piece of pieces) {
      if (!visible(view, piece)) continue;
      context.beginPath();
      trace(view, piece);
      context.fillStyle = actionColour(piece.action);
      context.fill("evenodd");
    }
    return;
  }
  const name = gridName();
  if (!name || !surface.codes[name]) return;
  const { layer } = state;
  const key = `${layer}/${name}`;
  if (rasters.key !== key) {
    const { step, offset } = surface.layers[name];
    const codes = Math.ceil(spanOf(layer) / step);
    rasters.surface = raster(surface, name, colourTable(codes, (code) => colour(LAYERS[layer].ramp, shareOf(layer, offset + step * code))));
    rasters.key = key;
  }
  context.save();
  insideBlocks(view);
  place(view, surface, rasters.surface);
  context.restore();
}

function insideBlocks(view) {
  view.context.beginPath();
  for (const block of blocks) if (visible(view, block)) trace(view, block);
  view.context.clip("evenodd");
}

export function paintMarks(view) {
  if (state.contours) paintContours(view);
  if (state.few && LAYERS[state.layer].grid && !LAYERS[state.layer].ofGround) paintFew(view);
  if (state.protection) paintReaches(view);
  paintZones(view, zonesDrawn());
  paintOutlines(view);
  if (state.samples) paintSamples(view);
  if (state.canes) paintCanes(view);
  const figures = state.loggers ? paintLoggers(view) : [];
  if (state.names) paintNames(view, figures);
  if (here.at) paintHere(view);
}

// Hatching where the interval is too wide to say much: lines on the screen, cut to the shape of the cells.
function paintFew(view) {
  rasters.few ??= surface.codes.too_few ? raster(surface, "too_few", colourTable(1, (code) => [36, 38, 31, code > 0.5 ? 255 : 0])) : null;
  if (!rasters.few) return;
  const mask = document.createElement("canvas");
  mask.width = view.width * view.sharp;
  mask.height = view.height * view.sharp;
  const context = mask.getContext("2d");
  context.setTransform(view.sharp, 0, 0, view.sharp, 0, 0);
  place({ ...view, context }, surface, rasters.few);
  context.globalCompositeOperation = "source-in";
  context.fillStyle = hatching(context, INK);
  context.fillRect(0, 0, view.width, view.height);
  view.context.save();
  insideBlocks(view);
  view.context.drawImage(mask, 0, 0, view.width, view.height);
  view.context.restore();
}

function hatching(context, ink) {
  const tile = document.createElement("canvas");
  tile.width = 9;
  tile.height = 9;
  const pen = tile.getContext("2d");
  for (const [colour, shift, wide] of [["#ffffff", 1.6, 1.2], [ink, 0, 1.5]]) {
    pen.strokeStyle = colour;
    pen.lineWidth = wide;
    pen.beginPath();
    for (const k of [-9, 0, 9]) {
      pen.moveTo(k - 1 + shift, 10);
      pen.lineTo(k + 10 + shift, -1);
    }
    pen.stroke();
  }
  return context.createPattern(tile, "repeat");
}

// How far protection reaches, dotted; faint where it did not run.
function paintReaches(view) {
  const { context } = view;
  context.save();
  context.setLineDash([2, 5]);
  context.lineCap = "round";
  for (const reach of protection) {
    if (!visible(view, reach)) continue;
    context.beginPath();
    trace(view, reach);
    context.globalAlpha = reach.ran ? 1 : 0.4;
    context.lineWidth = 4.5;
    context.strokeStyle = "rgba(255,255,255,0.85)";
    context.stroke();
    context.lineWidth = 2.5;
    context.strokeStyle = REACH;
    context.stroke();
  }
  context.restore();
}

function paintZones(view, drawn) {
  const { context } = view;
  for (const zone of drawn) {
    if (!visible(view, zone)) continue;
    context.beginPath();
    trace(view, zone);
    context.lineJoin = "round";
    context.setLineDash([7, 4]);
    context.lineWidth = 3.5;
    context.strokeStyle = "rgba(255,255,255,0.85)";
    context.stroke();
    context.lineWidth = 1.6;
    context.strokeStyle = INK;
    context.stroke();
  }
  context.setLineDash([]);
}

// Where canes are still to be cut: a cross of its own, so that nobody takes it for a sample.
function paintCanes(view) {
  const { context } = view;
  for (const cane of canes) {
    const x = view.x(cane.at[0]);
    const y = view.y(cane.at[1]);
    for (const [ink, width] of [["rgba(255,255,255,0.9)", 5], [CHOSEN, 2.4]]) {
      context.beginPath();
      context.moveTo(x - 6, y);
      context.lineTo(x + 6, y);
      context.moveTo(x, y - 6);
      context.lineTo(x, y + 6);
      context.strokeStyle = ink;
      context.lineWidth = width;
      context.stroke();
    }
  }
}

function paintOutlines(view) {
  const { context } = view;
  const late = blocks.filter((block) => block.row === state.block);
  for (const block of [...blocks.filter((one) => one.row !== state.block), ...late]) {
    if (!visible(view, block, 8)) continue;
    const chosen = block.row === state.block;
    context.beginPath();
    trace(view, block);
    context.lineJoin = "round";
    context.strokeStyle = "rgba(255,255,255,0.9)";
    context.lineWidth = chosen ? 8 : 4;
    context.stroke();
    context.strokeStyle = chosen ? CHOSEN : INK;
    context.lineWidth = chosen ? 4 : 1.6;
    context.stroke();
  }
}

function paintHere(view) {
  const { context } = view;
  const [x, y] = [view.x(here.at[0]), view.y(here.at[1])];
  context.beginPath();
  context.arc(x, y, Math.max(9, here.radius * view.scale), 0, 2 * Math.PI);
  context.fillStyle = "rgba(30,90,160,0.18)";
  context.fill();
  context.beginPath();
  context.arc(x, y, 8, 0, 2 * Math.PI);
  context.fillStyle = "#1e5aa0";
  context.fill();
  context.lineWidth = 3;
  context.strokeStyle = "#ffffff";
  context.stroke();
}

export const here = { at: null, radius: 0 };
