// What is drawn: ground, injury, hatching, outlines, samples, names.

const INK = "#24261f";
const CHOSEN = "#7a1744";
const FONT = 'system-ui, "Segoe UI", Roboto, "Noto Sans", "Liberation Sans", sans-serif';
const rasters = {};

function paintGround(view) {
  if (!ground || state.online) return;
  rasters.ground ??= raster(ground, "shade", colourTable(250, (code) => lit(code / 250)));
  if (!rasters.ground) return;
  faded(rasters.ground);
  place(view, ground, rasters.ground);
}

// Cool greys in shadow, near white in full light: the warm colours of injury stand out from both.
function lit(light) {
  const dark = [138, 146, 134];
  const bright = [253, 252, 244];
  const share = Math.min(1, Math.max(0, (light - 0.2) / 0.75));
  return dark.map((from, c) => Math.round(from + (bright[c] - from) * share));
}

// The ground runs out softly rather than at a ruled edge.
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

function paintSurface(view) {
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
    const codes = Math.round((layer === "change" ? 2 : 1) / step);
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

function paintMarks(view) {
  if (state.contours) paintContours(view);
  if (state.few && LAYERS[state.layer].grid) paintFew(view);
  if (state.zones || state.layer === "action") paintZones(view);
  paintOutlines(view);
  if (state.samples) paintSamples(view);
  if (state.names) paintNames(view);
  if (here.at) paintHere(view);
}

// Hatching where the bounds are too wide to say much: lines on the screen, cut to the shape of the cells.
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

function paintZones(view) {
  const { context } = view;
  for (const zone of zones) {
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

function sampleSize(sample, zoom) {
  const near = Math.min(1.15, Math.max(0.4, (zoom - 13) / 3.5));
  return near * (3.2 + 0.75 * Math.sqrt(sample.nodes ?? 0));
}

function paintSamples(view) {
  const { context } = view;
  const zoom = Math.log2(view.scale);
  for (const sample of samples) {
    const x = view.x(sample.at[0]);
    const y = view.y(sample.at[1]);
    if (x < -20 || y < -20 || x > view.width + 20 || y > view.height + 20) continue;
    const stamp = sampleStamp(sampleShare(sample), sampleSize(sample, zoom), sample.row === state.sample, view.sharp);
    const half = stamp.width / view.sharp / 2;
    context.drawImage(stamp, x - half, y - half, 2 * half, 2 * half);
  }
}

// Only the injury layer's legend explains the circles' colours; in the others they only mark where samples were taken.
function sampleShare(sample) {
  if (state.layer !== "injury") return null;
  const pct = { primary: sample.injury_pct, secondary: sample.secondary_pct, no_live_bud: sample.no_live_bud_pct }[state.tissue];
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

// The figure that stands under a block's name on the map; empty where the layer has none for a whole block.
function blockFigure(block) {
  const primary = state.tissue === "primary";
  if (state.layer === "injury" && primary) return percent(block.pct);
  if (state.layer === "low" && primary) return percent(block.low);
  if (state.layer === "high" && primary) return percent(block.high);
  if (state.layer === "change") return signed(changeOf(block));
  if (state.layer === "action" && block.nodes_to_keep && !zones.length) return t("map.keep", { nodes: number(block.nodes_to_keep) });
  return "";
}

function changeOf(block) {
  return block.earlier_pct === null || block.earlier_pct === undefined || block.pct === null ? null : block.pct - block.earlier_pct;
}

function signed(points) {
  return points === null ? "–" : `${points > 0 ? "+" : points < 0 ? "−" : ""}${number(Math.abs(points))}`;
}

// Names stand on their ground, the chosen block's first, then the worst hurt. Where one would overlap another it moves up
// or down, then the name goes and the figure stays; only what still finds no room is left out. The worst block is named
// whatever the screen and the font: smaller, then beside its ground.
function paintNames(view) {
  const { context } = view;
  const taken = [];
  context.textAlign = "center";
  context.textBaseline = "middle";
  context.lineJoin = "round";
  for (const { piece, lines, smaller, chosen } of labels()) {
    const x = view.x(piece.at[0]);
    const y = view.y(piece.at[1]);
    const room = (piece.box[2] - piece.box[0]) * view.scale;
    if (x < -90 || y < -40 || x > view.width + 90 || y > view.height + 40) continue;
    const tries = room < 26 ? [] : smaller ? [lines, smaller] : [lines, lines.slice(1)];
    let found = tries.filter((some) => some.length).map((some) => roomFor(view, some, piece, taken)).find(Boolean);
    if (!found && smaller) {
      found = besideFor(view, [lines, smaller], piece, taken);
      leader(context, found.box, [x, y]);
    }
    if (!found) continue;
    taken.push(found.box);
    writeLines(context, found.lines, (found.box[0] + found.box[2]) / 2, found.box[1] + 2, chosen ? CHOSEN : INK);
  }
}

// The first free place for some lines: on the middle of their ground, then above and below it, with the middle still
// inside the ground's own height.
function roomFor({ context, scale, x, y }, lines, piece, taken) {
  const middle = [x(piece.at[0]), y(piece.at[1])];
  const [wide, tall] = sizeOf(context, lines);
  if (wide - 6 > (piece.box[2] - piece.box[0]) * scale * 1.6) return null;
  for (const share of [0, -0.5, 0.5, -1, 1]) {
    const at = middle[1] + share * tall;
    if (share && (at < y(piece.box[1]) || at > y(piece.box[3]))) continue;
    const box = around(middle[0], at, wide, tall);
    if (!taken.some((other) => meet(box, other))) return { lines, box };
  }
  return null;
}

// A place beside the ground and in sight: of the four sides, the one that hides the fewest names and blocks.
function besideFor(view, [lines, smaller], piece, taken) {
  const [left, top, right, bottom] = view.clear();
  const fits = sizeOf(view.context, lines)[0] <= right - left;
  const chosen = fits ? lines : smaller;
  const [wide, tall] = sizeOf(view.context, chosen);
  const onScreen = ({ box }) => [view.x(box[0]), view.y(box[1]), view.x(box[2]), view.y(box[3])];
  const [x0, y0, x1, y1] = onScreen(piece);
  const [x, y] = [view.x(piece.at[0]), view.y(piece.at[1])];
  const gap = 14;
  const held = (at, size, from, to) => Math.max(from + size / 2, Math.min(to - size / 2, at));
  const hides = (box) => 1000 * taken.filter((other) => meet(box, other)).length + blocks.filter((block) => meet(box, onScreen(block))).length;
  const places = [[x, y1 + gap + tall / 2], [x, y0 - gap - tall / 2], [x1 + gap + wide / 2, y], [x0 - gap - wide / 2, y]]
    .map(([atX, atY]) => around(held(atX, wide, left, right), held(atY, tall, top, bottom), wide, tall))
    .map((box) => ({ lines: chosen, box, hidden: hides(box) }));
  return places.sort((a, b) => a.hidden - b.hidden)[0];
}

const meet = (a, b) => a[0] < b[2] && a[2] > b[0] && a[1] < b[3] && a[3] > b[1];
const around = (x, y, wide, tall) => [x - wide / 2, y - tall / 2, x + wide / 2, y + tall / 2];

function sizeOf(context, lines) {
  const widths = lines.map(([text, font]) => { context.font = font; return context.measureText(text).width; });
  return [Math.max(...widths) + 6, lines.reduce((sum, [, , line]) => sum + line, 0) + 4];
}

// From the nearest edge of a name to the ground that it names.
function leader(context, [left, top, right, bottom], [x, y]) {
  for (const [ink, wide, dot] of [["rgba(255,255,250,0.92)", 4.5, 5], [INK, 1.6, 3]]) {
    context.beginPath();
    context.moveTo(Math.max(left, Math.min(right, x)), Math.max(top, Math.min(bottom, y)));
    context.lineTo(x, y);
    context.lineWidth = wide;
    context.strokeStyle = ink;
    context.stroke();
    context.beginPath();
    context.arc(x, y, dot, 0, 2 * Math.PI);
    context.fillStyle = ink;
    context.fill();
  }
}

function writeLines(context, lines, x, top, ink) {
  for (const [text, font, line] of lines) {
    context.font = font;
    context.lineWidth = 5;
    context.strokeStyle = "rgba(255,255,250,0.92)";
    context.strokeText(text, x, top + line / 2);
    context.fillStyle = ink;
    context.fillText(text, x, top + line / 2);
    top += line;
  }
}

// Blocks with their figure; with zones on the map, each zone's number and nodes too.
function labels() {
  const worst = judged(ranked[0]) < 0 ? null : ranked[0];
  const order = [...ranked].sort((a, b) => (b.row === state.block) - (a.row === state.block));
  const lines = (block, name, figure) =>
    [[short(block.block), `600 ${name}px ${FONT}`, name + 3], [blockFigure(block), `700 ${figure}px ${FONT}`, figure + 2]].filter(([text]) => text);
  const named = order.map((block) => ({
    piece: block,
    chosen: block.row === state.block,
    lines: lines(block, 14, 18),
    smaller: block === worst ? lines(block, 12, 15) : null,
  }));
  if (!state.zones && state.layer !== "action") return named;
  const numbered = zones.map((zone) => {
    const nodes = zone.nodes_to_keep == null ? "" : t("map.keep", { nodes: number(zone.nodes_to_keep) });
    return { piece: zone, chosen: false, lines: [[[t("map.zone", { zone: zone.zone }), nodes].filter(Boolean).join(": "), `600 14px ${FONT}`, 17]] };
  });
  return named.concat(numbered);
}

function short(text) {
  const letters = [...text];
  return letters.length > 24 ? `${letters.slice(0, 23).join("")}…` : text;
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

const here = { at: null, radius: 0 };
