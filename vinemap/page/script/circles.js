// Samples as circles: as large as they have nodes, as dark as they are hurt.

import { CHOSEN, INK, colour, css, token } from "./colours.js";
import { celsius } from "../../web/script/words.js";
import { loggers, placed } from "./data.js";
import { shareOf } from "./layers.js";
import { state } from "./state.js";

export function sampleSize(sample, zoom) {
  const near = Math.min(1.15, Math.max(0.4, (zoom - 13) / 3.5));
  return near * (3.2 + 0.75 * Math.sqrt(sample.nodes ?? 0));
}

export function paintSamples(view) {
  const { context } = view;
  const zoom = Math.log2(view.scale);
  for (const sample of placed) {
    const x = view.x(sample.at[0]);
    const y = view.y(sample.at[1]);
    if (x < -20 || y < -20 || x > view.width + 20 || y > view.height + 20) continue;
    const stamp = sampleStamp(sampleShare(sample), sampleSize(sample, zoom), sample.row === state.sample, view.sharp);
    const half = stamp.width / view.sharp / 2;
    context.drawImage(stamp, x - half, y - half, 2 * half, 2 * half);
  }
}

// Temperature loggers as diamonds; on the night's own layer each in its colour, with its lowest of the night. What those
// figures cover comes back as boxes.
export function paintLoggers(view) {
  const { context } = view;
  const covered = [];
  const night = state.layer === "night";
  const half = night ? 8 : 6;
  context.save();
  context.font = `600 13px ${token("--sans")}`;
  context.textAlign = "left";
  context.textBaseline = "middle";
  context.lineJoin = "round";
  for (const logger of loggers) {
    const x = view.x(logger.at[0]);
    const y = view.y(logger.at[1]);
    context.beginPath();
    context.moveTo(x, y - half);
    context.lineTo(x + half, y);
    context.lineTo(x, y + half);
    context.lineTo(x - half, y);
    context.closePath();
    context.lineWidth = 4;
    context.strokeStyle = "#ffffff";
    context.stroke();
    context.fillStyle = night ? css(colour("probability", shareOf("night", logger.min_c))) : "#ffffff";
    context.fill();
    context.lineWidth = 1.5;
    context.strokeStyle = INK;
    context.stroke();
    if (!night) continue;
    context.lineWidth = 4;
    context.strokeStyle = "#ffffff";
    const told = celsius(logger.min_c);
    context.strokeText(told, x + 12, y);
    context.fillStyle = INK;
    context.fillText(told, x + 12, y);
    covered.push([x - 9, y - 9, x + 13 + context.measureText(told).width, y + 9]);
  }
  context.restore();
  return covered;
}

// Only the injury layer's legend explains the circles' colours; in the others they only mark where samples were taken.
function sampleShare(sample) {
  if (state.layer !== "injury") return null;
  const pct = { primary: sample.injury_pct, secondary: sample.secondary_pct, no_live_bud: sample.no_live_bud_pct, frozen: sample.frozen_pct }[state.tissue];
  return pct === null || pct === undefined ? null : pct / 100;
}

// Thousands of circles are drawn faster as stamps: one for each colour and size that occurs.
const stamps = new Map();

function sampleStamp(share, size, chosen, sharp) {
  const radius = Math.round(2 * size) / 2;
  const tint = share === null ? -1 : Math.round(share * 50);
  const key = `${tint}/${radius}/${chosen}/${sharp}`;
  if (!stamps.has(key)) {
    const canvas = document.createElement("canvas");
    canvas.width = Math.ceil((2 * radius + 8) * sharp);
    canvas.height = canvas.width;
    const pen = canvas.getContext("2d");
    pen.scale(sharp, sharp);
    pen.arc(radius + 4, radius + 4, radius, 0, 2 * Math.PI);
    pen.lineWidth = chosen ? 7 : 4;
    pen.strokeStyle = chosen ? CHOSEN : "#ffffff";
    pen.stroke();
    pen.fillStyle = tint < 0 ? "#ffffff" : css(colour("injury", tint / 50));
    pen.fill();
    pen.lineWidth = 1.3;
    pen.strokeStyle = INK;
    pen.stroke();
    stamps.set(key, canvas);
  }
  return stamps.get(key);
}
