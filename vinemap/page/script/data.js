// The tables that the page carries, as lists of rows.

const data = JSON.parse(byId("vinemap-data").textContent);
const threshold = Math.round(data.settings.threshold * 100);
words.texts = data.texts;

const blocks = rowsOf(data.blocks);
const zones = rowsOf(data.zones);
const samples = rowsOf(data.samples);

for (const block of blocks) {
  block.pct = block.map_injury_pct ?? block.injury_pct ?? null;
  block.low = block.map_injury_pct == null ? block.injury_low_pct : block.map_low_pct;
  block.high = block.map_injury_pct == null ? block.injury_high_pct : block.map_high_pct;
  block.samplesHere = samples.filter((sample) => sample.block === block.row);
  block.zonesHere = zones.filter((zone) => zone.block === block.row);
}
// What a block is ranked by: one with too few samples comes last, whatever the map guesses there.
const judged = (block) => (block.action === "no_data" ? -1 : block.pct ?? -1);
const ranked = [...blocks].sort((a, b) => judged(b) - judged(a) || a.row - b.row);
ranked.forEach((block, place) => { block.rank = place + 1; });

function rowsOf(table) {
  const names = Object.keys(table).filter((name) => Array.isArray(table[name]));
  const first = table[names[0]] ?? [];
  return first.map((_, row) => {
    const item = { row };
    for (const name of names) item[name] = table[name][row];
    if (item.outline) {
      item.rings = item.outline.map(world);
      item.box = boxOf(item.rings);
      item.outline = null;
    }
    const place = item.label ?? item.place;
    if (place) item.at = toWorld(place[0], place[1]);
    return item;
  });
}

// Web Mercator at zoom 0: the whole world is 256 units wide.
function toWorld(lon, lat) {
  const s = Math.sin((lat * Math.PI) / 180);
  return [((lon + 180) / 360) * 256, (0.5 - Math.log((1 + s) / (1 - s)) / (4 * Math.PI)) * 256];
}

function toLonLat(x, y) {
  return [(x / 256) * 360 - 180, (Math.atan(Math.sinh(Math.PI * (1 - (2 * y) / 256))) * 180) / Math.PI];
}

function world(steps) {
  const ring = new Float64Array(steps.length);
  let lon = 0;
  let lat = 0;
  for (let k = 0; k < steps.length; k += 2) {
    lon += steps[k];
    lat += steps[k + 1];
    [ring[k], ring[k + 1]] = toWorld(lon * 1e-7, lat * 1e-7);
  }
  return ring;
}

function boxOf(rings) {
  const box = [Infinity, Infinity, -Infinity, -Infinity];
  for (const ring of rings) {
    for (let k = 0; k < ring.length; k += 2) {
      box[0] = Math.min(box[0], ring[k]);
      box[1] = Math.min(box[1], ring[k + 1]);
      box[2] = Math.max(box[2], ring[k]);
      box[3] = Math.max(box[3], ring[k + 1]);
    }
  }
  return box;
}

function boxOfAll(shapes) {
  const boxes = shapes.map((shape) => shape.box);
  return [0, 1, 2, 3].map((k) => Math[k < 2 ? "min" : "max"](...boxes.map((box) => box[k])));
}

// Even-odd rule over all rings, so holes and separate parts come out right.
function holds(shape, x, y) {
  if (x < shape.box[0] || x > shape.box[2] || y < shape.box[1] || y > shape.box[3]) return false;
  let inside = false;
  for (const ring of shape.rings) {
    for (let k = 0, j = ring.length - 2; k < ring.length; j = k, k += 2) {
      if (ring[k + 1] > y !== ring[j + 1] > y && x < ((ring[j] - ring[k]) * (y - ring[k + 1])) / (ring[j + 1] - ring[k + 1]) + ring[k]) {
        inside = !inside;
      }
    }
  }
  return inside;
}
