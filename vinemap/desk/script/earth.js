// Lengths, areas and bearings over ground that is flat for a vineyard's size: metres east and north of a place.

const METRES_A_DEGREE = 111320;

// Turns longitude and latitude into metres from a place, and back.
function plane([lon0, lat0]) {
  const wide = METRES_A_DEGREE * Math.cos((lat0 * Math.PI) / 180);
  return {
    metres: ([lon, lat]) => [(lon - lon0) * wide, (lat - lat0) * METRES_A_DEGREE],
    lonLat: ([x, y]) => [lon0 + x / wide, lat0 + y / METRES_A_DEGREE],
  };
}

// Hectares of a ring of longitudes and latitudes, by the shoelace formula.
export function hectares(ring) {
  const { metres } = plane(ring[0]);
  const xy = ring.map(metres);
  const twice = xy.reduce((sum, [x, y], k) => {
    const [next, up] = xy[(k + 1) % xy.length];
    return sum + x * up - next * y;
  }, 0);
  return Math.abs(twice) / 2e4;
}

export function middle(ring) {
  const sides = [0, 1].map((axis) => ring.map((corner) => corner[axis]));
  return sides.map((values) => (Math.min(...values) + Math.max(...values)) / 2);
}

// Degrees clockwise from north, from 0 up to 180: rows have no front end.
export function bearing(from, to) {
  const [x, y] = plane(from).metres(to);
  return ((((Math.atan2(x, y) * 180) / Math.PI) % 180) + 180) % 180;
}

export function towards(from, degrees, metres) {
  const angle = (degrees * Math.PI) / 180;
  return plane(from).lonLat([metres * Math.sin(angle), metres * Math.cos(angle)]);
}

// Half of the longer side of a ring's box, in metres.
export function reach(ring) {
  const { metres } = plane(ring[0]);
  const xy = ring.map(metres);
  const sides = [0, 1].map((axis) => xy.map((corner) => corner[axis]));
  return Math.max(...sides.map((values) => Math.max(...values) - Math.min(...values))) / 2;
}

// Whether any two sides of a ring cross, which makes no outline.
export function crosses(ring) {
  const sides = ring.map((corner, k) => [corner, ring[(k + 1) % ring.length]]);
  return sides.some(([a, b], k) => sides.some(([c, d], m) => m > k + 1 && !(k === 0 && m === sides.length - 1) && cut(a, b, c, d)));
}

function cut(a, b, c, d) {
  const side = (p, q, r) => Math.sign((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]));
  return side(a, b, c) !== side(a, b, d) && side(c, d, a) !== side(c, d, b);
}
