// Grids of cells in the vineyard's own projection: unpacked when first wanted, read by place, warped for drawing.

import { toLonLat, toWorld } from "./geometry.js";

export class Grid {
  constructor(packed) {
    Object.assign(this, packed);
    this.codes = {};
    this.warps = {};
  }

  has(name) {
    return name in this.layers;
  }

  // Unpack a layer; the codes stay whole steps. A browser too old to unpack leaves the layer empty.
  async load(name) {
    if (!this.has(name) || this.codes[name]) return;
    const { bits, down, data: text } = this.layers[name];
    const bytes = await inflated(text);
    this.codes[name] = this.sums(bits === 8 ? bytes : joined(bytes), down);
    this.layers[name].data = null;
  }

  // Codes from their differences along each row or, where they go down, from those of the row above; in place.
  sums(codes, down) {
    for (let row = 0, k = 0; row < this.rows; row += 1) {
      let sum = 0;
      for (let col = 0; col < this.cols; col += 1, k += 1) {
        sum += codes[k];
        codes[k] = down && row ? sum + codes[k - this.cols] : sum;
      }
    }
    return codes;
  }

  missing(name) {
    return this.layers[name].bits === 8 ? 255 : 65535;
  }

  // Polynomial in latitude that remains when the longitude (scaled) is fixed, and the other way round.
  folded(terms, value, byLon) {
    const order = this.order;
    const left = new Float64Array(order + 1);
    let k = 0;
    for (let i = 0; i <= order; i += 1) {
      for (let j = 0; i + j <= order; j += 1, k += 1) left[byLon ? j : i] += terms[k] * value ** (byLon ? i : j);
    }
    return left;
  }

  // Column and row, as fractions, of a place.
  cell(lon, lat) {
    const x = (lon - this.middle[0]) / this.half[0];
    const y = (lat - this.middle[1]) / this.half[1];
    const east = horner(this.folded(this.east, y, false), x);
    const up = horner(this.folded(this.up, y, false), x);
    return [east / this.cell_m, -up / this.cell_m];
  }

  // The value of the cell that holds a place; null where there is none.
  at(name, lon, lat) {
    const codes = this.codes[name];
    if (!codes) return null;
    const [x, y] = this.cell(lon, lat).map(Math.floor);
    if (x < 0 || y < 0 || x >= this.cols || y >= this.rows) return null;
    const code = codes[y * this.cols + x];
    const { step, offset } = this.layers[name];
    return code === this.missing(name) ? null : offset + step * code;
  }

  // Where each pixel of the drawn raster lies in the grid; pixels are square in the map's own projection.
  pixels() {
    if (this.net) return this.net;
    const [west, south, east, north] = this.bounds;
    const [x0, y0] = toWorld(west, north);
    const [x1, y1] = toWorld(east, south);
    const width = Math.max(2, Math.round(this.cols * 1.15));
    const height = Math.max(2, Math.round((width * (y1 - y0)) / (x1 - x0)));
    const col = new Float32Array(width * height);
    const row = new Float32Array(width * height);
    for (let j = 0, k = 0; j < height; j += 1) {
      const lat = toLonLat(x0, y0 + ((j + 0.5) * (y1 - y0)) / height)[1];
      const y = (lat - this.middle[1]) / this.half[1];
      const eastward = this.folded(this.east, y, false);
      const upward = this.folded(this.up, y, false);
      for (let i = 0; i < width; i += 1, k += 1) {
        const lon = west + ((i + 0.5) * (east - west)) / width;
        const x = (lon - this.middle[0]) / this.half[0];
        col[k] = horner(eastward, x) / this.cell_m - 0.5;
        row[k] = -horner(upward, x) / this.cell_m - 0.5;
      }
    }
    this.net = { width, height, col, row, box: [x0, y0, x1, y1] };
    return this.net;
  }

  // Codes at the drawn raster's pixels, between the four cells around each; cells without a value have no weight, so
  // the edge reaches half a cell outward and the outline of the block can cut it.
  warped(name) {
    if (this.warps[name]) return this.warps[name];
    const codes = this.codes[name];
    if (!codes) return null;
    const { width, height, col, row } = this.pixels();
    const out = new Float32Array(width * height).fill(NaN);
    const none = this.missing(name);
    const { rows, cols } = this;
    for (let k = 0; k < out.length; k += 1) {
      const c = Math.floor(col[k]);
      const r = Math.floor(row[k]);
      if (c < -1 || r < -1 || c >= cols || r >= rows) continue;
      const fx = col[k] - c;
      const fy = row[k] - r;
      let sum = 0;
      let weight = 0;
      for (let n = 0; n < 4; n += 1) {
        const cc = c + (n & 1);
        const rr = r + (n >> 1);
        if (cc < 0 || rr < 0 || cc >= cols || rr >= rows) continue;
        const code = codes[rr * cols + cc];
        if (code === none) continue;
        const w = (n & 1 ? fx : 1 - fx) * (n >> 1 ? fy : 1 - fy) + 1e-6;
        sum += w * code;
        weight += w;
      }
      if (weight > 0) out[k] = sum / weight;
    }
    if (Object.keys(this.warps).length > 3) this.warps = {};
    this.warps[name] = out;
    return out;
  }
}

function horner(terms, x) {
  let sum = 0;
  for (let k = terms.length - 1; k >= 0; k -= 1) sum = sum * x + terms[k];
  return sum;
}

function joined(bytes) {
  const half = bytes.length / 2;
  const steps = new Uint16Array(half);
  for (let k = 0; k < half; k += 1) {
    const folded = (bytes[k] << 8) | bytes[half + k];
    steps[k] = (folded >> 1) ^ -(folded & 1);
  }
  return steps;
}

async function inflated(text) {
  const binary = atob(text);
  const bytes = new Uint8Array(binary.length);
  for (let k = 0; k < bytes.length; k += 1) bytes[k] = binary.charCodeAt(k);
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}
