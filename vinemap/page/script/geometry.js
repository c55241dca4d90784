// Places as numbers: longitude and latitude, the map's own plane, rings and boxes in it.

// Web Mercator at zoom 0: the whole world is 256 units wide.
export function toWorld(lon, lat) {
  const s = Math.sin((lat * Math.PI) / 180);
  return [((lon + 180) / 360) * 256, (0.5 - Math.log((1 + s) / (1 - s)) / (4 * Math.PI)) * 256];
}

export function toLonLat(x, y) {
  return [(x / 256) * 360 - 180, (Math.atan(Math.sinh(Math.PI * (1 - (2 * y) / 256))) * 180) / Math.PI];
}

export function world(steps) {
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

export function boxOf(rings) {
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

export function boxOfAll(shapes) {
  const boxes = shapes.map((shape) => shape.box);
  return [0, 1, 2, 3].map((k) => Math[k < 2 ? "min" : "max"](...boxes.map((box) => box[k])));
}

// Even-odd rule over all rings, so holes and separate parts come out right.
export function holds(shape, x, y) {
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
