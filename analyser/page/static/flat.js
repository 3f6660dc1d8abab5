// A gauge seen straight on: places on the picture into parts of its width and height, and needle angles.

/** The map that takes the four corners (clockwise from the top left) to the unit square, as a function of a place. */
export function flattener(corners) {
  const [[x0, y0], [x1, y1], [x2, y2], [x3, y3]] = corners;
  // from the square to the corners: Heckbert, Fundamentals of Texture Mapping and Image Warping, 1989, section 2.2.3
  const dx1 = x1 - x2, dx2 = x3 - x2, sx = x0 - x1 + x2 - x3;
  const dy1 = y1 - y2, dy2 = y3 - y2, sy = y0 - y1 + y2 - y3;
  const den = dx1 * dy2 - dx2 * dy1;
  const g = (sx * dy2 - dx2 * sy) / den, h = (dx1 * sy - sx * dy1) / den;
  const a = x1 - x0 + g * x1, b = x3 - x0 + h * x3, c = x0;
  const d = y1 - y0 + g * y1, e = y3 - y0 + h * y3, f = y0;
  // and back, by the adjoint
  const A = e - f * h, B = c * h - b, C = b * f - c * e, D = f * g - d, E = a - c * g, F = c * d - a * f, G = d * h - e * g, H = b * g - a * h, I = a * e - b * d;
  const back = ([x, y]) => { const w = G * x + H * y + I; return [(A * x + B * y + C) / w, (D * x + E * y + F) / w]; };
  const out = ([u, v]) => { const w = g * u + h * v + 1; return [(a * u + b * v + c) / w, (d * u + e * v + f) / w]; };
  return { back, out };
}

const distance = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);

/** Mean width and height of four corners. */
export function sizeOf([a, b, c, d]) {
  return [(distance(a, b) + distance(d, c)) / 2, (distance(a, d) + distance(b, c)) / 2];
}

/** Needle angle of a place on a dial, degrees clockwise from up about its hub. */
export function angleAt(gauge, place) {
  const flat = flattener(gauge.corners);
  const [width, height] = sizeOf(gauge.corners);
  const [u, v] = flat.back(place);
  const [hu, hv] = hubOf(gauge, flat);
  return Math.atan2((u - hu) * width, -(v - hv) * height) * 180 / Math.PI;
}

/** Where the hub is, parts of the gauge. */
export function hubOf(gauge, flat = flattener(gauge.corners)) {
  const centre = gauge.more?.centre;
  return Array.isArray(centre) && centre.length === 2 ? flat.back(centre) : [0.5, 0.5];
}

/** The two ends of a ray on the picture that a needle at `angle` degrees would cover. */
export function rayAt(gauge, angle) {
  const flat = flattener(gauge.corners);
  const [width, height] = sizeOf(gauge.corners);
  const hub = hubOf(gauge, flat);
  const turned = angle * Math.PI / 180;
  const reach = Math.min(width, height) / 2;
  return [flat.out(hub), flat.out([hub[0] + Math.sin(turned) * reach / width, hub[1] - Math.cos(turned) * reach / height])];
}

/** Place along a tape, 0 to 1: from bottom to top if it is higher than wide, else from left to right. */
export function partAt(gauge, place) {
  const [u, v] = flattener(gauge.corners).back(place);
  const [width, height] = sizeOf(gauge.corners);
  return Math.min(1, Math.max(0, height > width ? 1 - v : u));
}

/** Whether four corners go clockwise round a convex figure. */
export function convex(corners) {
  return corners.every(([ax, ay], i) => {
    const [bx, by] = corners[(i + 1) % 4], [cx, cy] = corners[(i + 2) % 4];
    return (bx - ax) * (cy - by) - (by - ay) * (cx - bx) > 0;
  });
}
