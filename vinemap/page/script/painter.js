// One canvas on the map, repainted after every move; Leaflet's renderer keeps it in place while the map moves.
// It is painted out of sight and handed over whole: what is painted on a canvas in sight while the page is being printed
// wipes the canvases below it from the paper. A browser that cannot hand over paints in sight.

import { covered, map } from "./map.js";

// The canvases on the map, by name.
export const painters = {};

// Nothing is painted before the first grids are unpacked: the first picture is then painted once, and whole.
let started = false;

export function startPainting() {
  started = true;
}

const handsOver = typeof OffscreenCanvas !== "undefined" && typeof ImageBitmapRenderingContext !== "undefined" && Boolean(new OffscreenCanvas(1, 1).getContext("2d"));

const Painter = L.Renderer.extend({
  options: { padding: 0.15 },

  initialize(paint, options) {
    this.paintOn = paint;
    L.Renderer.prototype.initialize.call(this, options);
  },

  _initContainer() {
    this._container = document.createElement("canvas");
    this._container.setAttribute("aria-hidden", "true");
    this._easel = handsOver ? new OffscreenCanvas(1, 1) : this._container;
  },

  _destroyContainer() {
    this._container.remove();
    this._container = null;
    this._easel = null;
  },

  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    this.repaint();
  },

  repaint() {
    if (!started || !this._map || !this._bounds) return;
    const canvas = this._container;
    const size = this._bounds.getSize();
    const sharp = Math.min(2, Math.max(window.devicePixelRatio || 1, document.body.classList.contains("printing") ? 2 : 1));
    L.DomUtil.setPosition(canvas, this._bounds.min);
    const easel = this._easel;
    easel.width = Math.round(size.x * sharp);
    easel.height = Math.round(size.y * sharp);
    canvas.style.width = `${size.x}px`;
    canvas.style.height = `${size.y}px`;
    const context = easel.getContext("2d");
    context.setTransform(sharp, 0, 0, sharp, 0, 0);
    const scale = 2 ** this._zoom;
    const origin = this._map.getPixelOrigin().add(this._bounds.min);
    this.paintOn({
      context,
      sharp,
      width: size.x,
      height: size.y,
      scale,
      clear: () => this._clear(),
      x: (worldX) => worldX * scale - origin.x,
      y: (worldY) => worldY * scale - origin.y,
    });
    if (easel !== canvas) {
      canvas.width = easel.width;
      canvas.height = easel.height;
      canvas.getContext("bitmaprenderer").transferFromImageBitmap(easel.transferToImageBitmap());
    }
  },

  // The part of the canvas that is in sight and under none of the page's boxes.
  _clear() {
    const { x, y } = this._map.containerPointToLayerPoint([0, 0]).subtract(this._bounds.min);
    const size = this._map.getSize();
    const { top, right, bottom } = covered();
    return [x + 4, y + top + 4, x + size.x - right - 4, y + size.y - bottom - 4];
  },
});

export function trace(view, shape) {
  const { context, scale } = view;
  const dx = view.x(0);
  const dy = view.y(0);
  for (const ring of shape.rings) {
    context.moveTo(ring[0] * scale + dx, ring[1] * scale + dy);
    for (let k = 2; k < ring.length; k += 2) context.lineTo(ring[k] * scale + dx, ring[k + 1] * scale + dy);
    context.closePath();
  }
}

export function visible(view, shape, margin = 0) {
  const [x0, y0, x1, y1] = shape.box;
  return view.x(x1) >= -margin && view.y(y1) >= -margin && view.x(x0) <= view.width + margin && view.y(y0) <= view.height + margin;
}

// The raster of a grid layer as a canvas, colours by a table with one entry a code.
export function raster(grid, name, table) {
  const values = grid.warped(name);
  if (!values) return null;
  const { width, height } = grid.pixels();
  const canvas = document.createElement("canvas");
  canvas.width = width;
  canvas.height = height;
  const context = canvas.getContext("2d");
  const image = context.createImageData(width, height);
  const pixels = new Uint32Array(image.data.buffer);
  const fine = table.length - 1;
  for (let k = 0; k < pixels.length; k += 1) {
    const value = values[k];
    if (value === value) pixels[k] = table[Math.min(fine, Math.round(value * TABLE_STEPS))];
  }
  context.putImageData(image, 0, 0);
  return canvas;
}

const TABLE_STEPS = 4; // colours between two codes

export function colourTable(codes, colourOf) {
  const table = new Uint32Array(codes * TABLE_STEPS + 1);
  for (let k = 0; k < table.length; k += 1) {
    const [r, g, b, a = 255] = colourOf(k / TABLE_STEPS);
    table[k] = (a << 24) | (b << 16) | (g << 8) | r; // little-endian, as on every phone and desk machine
  }
  return table;
}

export function place(view, grid, canvas) {
  const [x0, y0, x1, y1] = grid.pixels().box;
  const { context } = view;
  context.imageSmoothingEnabled = true;
  context.imageSmoothingQuality = "high";
  context.drawImage(canvas, view.x(x0), view.y(y0), (x1 - x0) * view.scale, (y1 - y0) * view.scale);
}

// Put a canvas on the map, the higher the later it is painted.
export function addPainter(name, paint, z) {
  map.createPane(name).style.zIndex = z;
  map.getPane(name).classList.add("painted");
  painters[name] = new Painter(paint, { pane: name }).addTo(map);
}
