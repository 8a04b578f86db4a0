/* The picture that is traced: read from a file, with what the file says of its place, and laid on the
 * plane. `at` are six numbers [a, b, c, d, e, f]: pixel (u, v) lies at [a u + c v + e, b u + d v + f]. */
"use strict";
const Picture = (() => {
  const MOST_MB = 300, MOST_MEGAPIXELS = 150, KEPT_SIDE = 4096;

  /* Width and height by the file's first bytes, before a decoder unpacks it. */
  function sizeOf(view) {
    if (view.byteLength > 24 && view.getUint32(0) === 0x89504e47) return [view.getUint32(16), view.getUint32(20)];
    if (view.byteLength > 4 && view.getUint16(0) === 0xffd8) {
      for (let at = 2; at + 9 < view.byteLength && view.getUint8(at) === 0xff; ) {
        const mark = view.getUint8(at + 1);
        if (mark >= 0xc0 && mark <= 0xcf && ![0xc4, 0xc8, 0xcc].includes(mark)) return [view.getUint16(at + 7), view.getUint16(at + 5)];
        at += 2 + view.getUint16(at + 2);
      }
    }
    return null;
  }
  const isTiff = (view) => view.byteLength > 8 && [0x49492a00, 0x4d4d002a].includes(view.getUint32(0));

  /* The tags of a TIFF's first picture, or of a photo's block of them: number -> list of values. */
  function tags(view, start, offset) {
    const little = view.getUint16(start) === 0x4949;
    const sizes = { 1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 12: 8 };
    const first = start + (offset ?? view.getUint32(start + 4, little));
    const found = new Map();
    const count = view.getUint16(first, little);
    for (let k = 0; k < count; k++) {
      const at = first + 2 + 12 * k;
      const [tag, type, many] = [view.getUint16(at, little), view.getUint16(at + 2, little), view.getUint32(at + 4, little)];
      const size = sizes[type];
      if (!size || many > 5e6) continue;
      const from = size * many <= 4 ? at + 8 : start + view.getUint32(at + 8, little);
      const read = (i) => {
        const p = from + i * size;
        if (type === 3) return view.getUint16(p, little);
        if (type === 4) return view.getUint32(p, little);
        if (type === 5) return view.getUint32(p, little) / view.getUint32(p + 4, little);
        if (type === 12) return view.getFloat64(p, little);
        return view.getUint8(p);
      };
      found.set(tag, Array.from({ length: many }, (_, i) => read(i)));
    }
    return found;
  }

  /* Where a photo was taken, by its EXIF block; null where it does not say. */
  function takenAt(view) {
    if (view.getUint16(0) !== 0xffd8) return null;
    try {
      for (let at = 2; view.getUint8(at) === 0xff; at += 2 + view.getUint16(at + 2)) {
        if (view.getUint8(at + 1) === 0xda) return null;
        if (view.getUint8(at + 1) !== 0xe1 || view.getUint32(at + 4) !== 0x45786966) continue;
        const start = at + 10;
        const gps = tags(view, start).get(0x8825);
        if (!gps) return null;
        const found = tags(view, start, gps[0]);
        const angle = (tag, ref, minus) => {
          const [d, m, s] = found.get(tag);
          const value = d + m / 60 + (s || 0) / 3600;
          return String.fromCharCode((found.get(ref) || [0])[0]) === minus ? -value : value;
        };
        const place = { lat: angle(2, 1, "S"), lon: angle(4, 3, "W") };
        return Number.isFinite(place.lat) && Number.isFinite(place.lon) && (place.lat || place.lon) ? place : null;
      }
    } catch { /* a block that is cut short says nothing */ }
    return null;
  }

  /* Transverse Mercator back to degrees (Snyder 1987, equations 8-17 to 8-25), for UTM zones. */
  function fromUtm(east, north, zone, south) {
    const a = 6378137, e2 = 0.00669437999014, k = 0.9996, x = east - 500000, y = south ? north - 1e7 : north;
    const e1 = (1 - Math.sqrt(1 - e2)) / (1 + Math.sqrt(1 - e2)), ep = e2 / (1 - e2);
    const mu = y / k / (a * (1 - e2 / 4 - (3 * e2 ** 2) / 64 - (5 * e2 ** 3) / 256));
    const p = mu + ((3 * e1) / 2 - (27 * e1 ** 3) / 32) * Math.sin(2 * mu) + ((21 * e1 ** 2) / 16 - (55 * e1 ** 4) / 32) * Math.sin(4 * mu)
      + ((151 * e1 ** 3) / 96) * Math.sin(6 * mu) + ((1097 * e1 ** 4) / 512) * Math.sin(8 * mu);
    const [s, c, t] = [Math.sin(p), Math.cos(p), Math.tan(p) ** 2];
    const C = ep * c * c, n = a / Math.sqrt(1 - e2 * s * s), r = (a * (1 - e2)) / (1 - e2 * s * s) ** 1.5, D = x / (n * k);
    const lat = p - ((n * Math.tan(p)) / r) * (D ** 2 / 2 - ((5 + 3 * t + 10 * C - 4 * C * C - 9 * ep) * D ** 4) / 24
      + ((61 + 90 * t + 298 * C + 45 * t * t - 252 * ep - 3 * C * C) * D ** 6) / 720);
    const lon = (D - ((1 + 2 * t + C) * D ** 3) / 6 + ((5 - 2 * C + 28 * t - 3 * C * C + 8 * ep + 24 * t * t) * D ** 5) / 120) / c;
    return { lat: (lat * 180) / Math.PI, lon: (lon * 180) / Math.PI + zone * 6 - 183 };
  }
  function fromMercator(x, y) {
    const r = 6378137;
    return { lon: (x / r) * (180 / Math.PI), lat: (2 * Math.atan(Math.exp(y / r)) - Math.PI / 2) * (180 / Math.PI) };
  }
  /* How a CRS by its EPSG number gives degrees; null where that is not known here. */
  function toDegreesOf(code) {
    if ([4326, 4269, 4258, 4283, 7844, 4612].includes(code)) return (x, y) => ({ lon: x, lat: y });
    if (code === 3857) return fromMercator;
    const zone = code % 100;
    if (zone < 1 || zone > 60) return null;
    const base = code - zone;
    if ([32600, 26900, 25800].includes(base)) return (x, y) => fromUtm(x, y, zone, false);
    if ([32700, 28300, 7800].includes(base)) return (x, y) => fromUtm(x, y, zone, true);
    return null;
  }

  /* Six numbers of a world file or of GeoTIFF tags, in its own CRS, laid on the plane.
   * Degrees are told by the numbers themselves where no CRS is named. */
  function laid(world, width, height, { code = 0, unit = 1 } = {}) {
    const apply = (u, v) => [world[0] * u + world[2] * v + world[4], world[1] * u + world[3] * v + world[5]];
    const ends = [apply(0, 0), apply(width, height)];
    const inDegrees = ends.every(([x, y]) => Math.abs(x) <= 180 && Math.abs(y) <= 90) && Math.abs(world[0]) < 0.001;
    const degrees = code ? toDegreesOf(code) : inDegrees ? (x, y) => ({ lon: x, lat: y }) : null;
    if (!degrees) {  // scale and turn are known, the place is not
      const w = world.map((value) => value * unit);
      const [mx, my] = [(w[0] * width + w[2] * height) / 2, (w[1] * width + w[3] * height) / 2];
      return { at: [w[0], w[1], w[2], w[3], -mx, -my], place: null };
    }
    const place = degrees(...apply(width / 2, height / 2));
    const metres = (u, v) => { const d = degrees(...apply(u, v)); return Plane.toMetres([d.lon, d.lat], place); };
    const [o, r, d] = [metres(0, 0), metres(width, 0), metres(0, height)];
    return { at: [(r[0] - o[0]) / width, (r[1] - o[1]) / width, (d[0] - o[0]) / height, (d[1] - o[1]) / height, o[0], o[1]], place };
  }
  /* A world file: six lines, the last two the middle of the first pixel. */
  function worldFile(text) {
    const six = text.trim().split(/\s+/).map((word) => Number(word.replace(",", ".")));
    if (six.length !== 6 || !six.every(Number.isFinite) || Math.abs(six[0] * six[3] - six[1] * six[2]) < 1e-20) return null;
    return [...six.slice(0, 4), six[4] - (six[0] + six[2]) / 2, six[5] - (six[1] + six[3]) / 2];
  }
  function geoTags(found) {
    const scale = found.get(33550), tie = found.get(33922), matrix = found.get(34264), keys = found.get(34735) || [];
    const key = (id) => { for (let i = 4; i + 3 < keys.length; i += 4) if (keys[i] === id && keys[i + 1] === 0) return keys[i + 3]; return 0; };
    let world = null;
    if (matrix && matrix.length > 7) world = [matrix[0], matrix[4], matrix[1], matrix[5], matrix[3], matrix[7]];
    else if (scale && tie && tie.length > 4) world = [scale[0], 0, 0, -scale[1], tie[3] - tie[0] * scale[0], tie[4] + tie[1] * scale[1]];
    if (!world) return null;
    const feet = { 9002: 0.3048, 9003: 1200 / 3937 }[key(3076)];
    const code = key(3072) || key(2048);
    return { world, code: code === 32767 ? 0 : code, unit: feet || 1 };
  }

  async function inflate(bytes) {
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }
  function packBits(bytes, size) {
    const out = new Uint8Array(size);
    for (let i = 0, o = 0; i < bytes.length && o < size; ) {
      const n = (bytes[i++] << 24) >> 24;
      if (n >= 0) { out.set(bytes.subarray(i, i + Math.min(n + 1, size - o)), o); i += n + 1; o += n + 1; }
      else if (n !== -128) { out.fill(bytes[i++], o, o + 1 - n); o += 1 - n; }
    }
    return out;
  }
  function lzw(bytes, size) {
    const out = new Uint8Array(size);
    let o = 0, bit = 0, width = 9, table = [], before = null;
    const reset = () => { table = Array.from({ length: 258 }, (_, i) => (i < 256 ? [i] : [])); width = 9; before = null; };
    reset();
    while (bit + width <= bytes.length * 8 && o < size) {
      let code = 0;
      for (let k = 0; k < width; k++, bit++) code = (code << 1) | ((bytes[bit >> 3] >> (7 - (bit & 7))) & 1);
      if (code === 257) break;
      if (code === 256) { reset(); continue; }
      const entry = code < table.length ? table[code] : before && [...before, before[0]];
      if (!entry) break;
      out.set(entry.slice(0, size - o), o);
      o += entry.length;
      if (before) table.push([...before, entry[0]]);
      before = entry;
      if (table.length >= (1 << width) - 1 && width < 12) width += 1;
    }
    return out;
  }
  /* A TIFF's pixels as a picture: 8 bits, grey or colour, plain, LZW, deflated or PackBits. */
  async function tiff(view) {
    const found = tags(view, 0);
    const one = (tag, fallback) => (found.get(tag) || [fallback])[0];
    const [width, height, packed, samples, planar, predictor, photo] = [one(256, 0), one(257, 0), one(259, 1), one(277, 1), one(284, 1), one(317, 1), one(262, 1)];
    const refuse = (what) => new Error(`This TIFF is ${what}, which a browser cannot show. Save it as PNG or JPEG with a world file beside it.`);
    if (!width || !height) throw refuse("without a picture");
    if (width * height > MOST_MEGAPIXELS * 1e6) throw tooLarge(width, height);
    if ((found.get(258) || [8]).some((bits) => bits !== 8) || planar !== 1 || ![0, 1, 2, 3].includes(photo)) throw refuse("not of 8 bits a colour");
    if (![1, 5, 8, 32946, 32773].includes(packed)) throw refuse("packed in a way of its own");
    const tiled = found.has(322);
    const [w, h] = tiled ? [one(322), one(323)] : [width, Math.min(one(278, height), height)];
    const [starts, counts] = tiled ? [found.get(324), found.get(325)] : [found.get(273), found.get(279)];
    const across = Math.ceil(width / w), colours = found.get(320);
    const image = new ImageData(width, height);
    for (let k = 0; k < starts.length; k++) {
      const raw = new Uint8Array(view.buffer, view.byteOffset + starts[k], counts[k]);
      const size = w * h * samples;
      const block = packed === 1 ? raw : packed === 5 ? lzw(raw, size) : packed === 32773 ? packBits(raw, size) : await inflate(raw);
      const [left, top] = [(k % across) * w, Math.floor(k / across) * h];
      for (let y = 0; y < h && top + y < height; y++) {
        const row = block.subarray(y * w * samples, (y + 1) * w * samples);
        const line = predictor === 2 ? Uint8Array.from(row) : row;
        if (predictor === 2) for (let i = samples; i < line.length; i++) line[i] += line[i - samples];
        for (let x = 0; x < w && left + x < width; x++) {
          const [from, to] = [x * samples, 4 * ((top + y) * width + left + x)];
          let rgb;
          if (photo === 3 && colours) rgb = [0, 1, 2].map((c) => colours[c * 256 + line[from]] >> 8);
          else if (samples >= 3) rgb = [line[from], line[from + 1], line[from + 2]];
          else { const grey = photo === 0 ? 255 - line[from] : line[from]; rgb = [grey, grey, grey]; }
          image.data.set([...rgb, samples === 4 ? line[from + 3] : 255], to);
        }
      }
    }
    const canvas = new OffscreenCanvas(width, height);
    canvas.getContext("2d").putImageData(image, 0, 0);
    return { bitmap: canvas, geo: geoTags(found) };
  }
  const tooLarge = (w, h) => new Error(`This picture has ${w} by ${h} pixels; ${MOST_MEGAPIXELS} million at most can be shown. Scale it down, or cut out the property.`);

  /* Read a picture. Result: { blob, bitmap, width, height, geo, place }; throws in plain words. */
  async function read(file) {
    if (file.size > MOST_MB * 1e6) throw new Error(`This picture has ${Math.round(file.size / 1e6)} MB; ${MOST_MB} at most can be read. Scale it down, or cut out the property.`);
    const view = new DataView(await file.arrayBuffer());
    let source, geo = null, size;
    if (isTiff(view)) {
      ({ bitmap: source, geo } = await tiff(view));
      size = [source.width, source.height];
    } else {
      size = sizeOf(view);
      if (size && size[0] * size[1] > MOST_MEGAPIXELS * 1e6) throw tooLarge(...size);
      try { source = await createImageBitmap(file); } catch { throw new Error("This file cannot be shown as a picture. Take a PNG, JPEG or TIFF (of a PDF, take a picture of its page)."); }
      size = [source.width, source.height];
      if (size[0] * size[1] > MOST_MEGAPIXELS * 1e6) throw tooLarge(...size);
    }
    const place = view.byteLength > 12 ? takenAt(view) : null;
    // What is kept is no larger than what a tracing needs.
    const shrink = Math.min(1, KEPT_SIDE / Math.max(...size));
    const canvas = new OffscreenCanvas(Math.max(1, Math.round(size[0] * shrink)), Math.max(1, Math.round(size[1] * shrink)));
    const pen = canvas.getContext("2d");
    pen.fillStyle = "#fff";
    pen.fillRect(0, 0, canvas.width, canvas.height);
    pen.drawImage(source, 0, 0, canvas.width, canvas.height);
    const blob = await canvas.convertToBlob({ type: "image/jpeg", quality: 0.9 });
    return { blob, bitmap: canvas, width: size[0], height: size[1], geo, place };
  }

  /* A picture that says nothing of its place: in the middle, 60 m wide until it is scaled. */
  function guessed(width, height) {
    const s = 60 / Math.max(width, height);
    return [s, 0, 0, -s, (-s * width) / 2, (s * height) / 2];
  }
  /* A move of the plane [a, b, c, d, e, f] that takes two points to two others. */
  function between([p, q], [r, s]) {
    const [dx, dy, ex, ey] = [q[0] - p[0], q[1] - p[1], s[0] - r[0], s[1] - r[1]];
    const square = dx * dx + dy * dy;
    const [a, b] = [(ex * dx + ey * dy) / square, (ey * dx - ex * dy) / square];
    return [a, b, -b, a, r[0] - a * p[0] + b * p[1], r[1] - b * p[0] - a * p[1]];
  }
  const apply = (m, [x, y]) => [m[0] * x + m[2] * y + m[4], m[1] * x + m[3] * y + m[5]];
  function after(m, at) {  // the picture's numbers once the plane was moved by m
    const [o, r, d] = [apply(m, [at[4], at[5]]), apply(m, [at[0] + at[4], at[1] + at[5]]), apply(m, [at[2] + at[4], at[3] + at[5]])];
    return [r[0] - o[0], r[1] - o[1], d[0] - o[0], d[1] - o[1], o[0], o[1]];
  }
  return { read, laid, worldFile, guessed, between, apply, after };
})();
