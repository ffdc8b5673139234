// Codes back to numbers, numbers to light: the same formulas as the picture file's.
const sRgb = new Uint8Array(4097);
for (let i = 0; i <= 4096; i++) {
  const v = i / 4096;
  sRgb[i] = Math.round(255 * (v <= 0.0031308 ? 12.92 * v : 1.055 * Math.pow(v, 1 / 2.4) - 0.055));
}

function decodeTable(layer, plane) {
  const table = new Float32Array(256).fill(NaN);
  const { level, noise } = layer.planes[plane];
  for (let c = 1; c < 256; c++) {
    table[c] = layer.light ? level + 2 * noise * Math.sinh((c - layer.zero) / layer.steps)
                           : level + (c - 1) * noise;
  }
  return table;
}

// Colour-preserving asinh (Lupton et al. 2004); `strength` multiplies Q, `darker` moves black up by
// so many noises of the sky.
function paintLight(layer, codes, out, strength, darker) {
  const { black, gain, softening, q, white } = layer.stretch;
  const planes = layer.planes.length;
  const strong = q * strength;
  const scale = 1 / Math.asinh(strong * white / softening);
  const tables = [];
  for (let p = 0; p < planes; p++) {
    const table = decodeTable(layer, p);
    const floor = black[p] + darker * layer.planes[p].noise;
    for (let c = 0; c < 256; c++) table[c] = (table[c] - floor) * gain[p];
    tables.push(table);
  }
  if (planes === 1) {
    const grey = new Uint8Array(256);
    for (let c = 1; c < 256; c++) {
      const light = scale * Math.asinh(strong * Math.max(tables[0][c], 0) / softening);
      grey[c] = sRgb[Math.round(4096 * Math.min(light, 1))];
    }
    for (let i = 0; i < codes.length; i += 4) {
      out[i] = out[i + 1] = out[i + 2] = grey[codes[i]];
      out[i + 3] = 255;
    }
    return;
  }
  for (let i = 0; i < codes.length; i += 4) {
    let r = tables[0][codes[i]], g = tables[1][codes[i + 1]], b = tables[2][codes[i + 2]];
    const intensity = (r + g + b) / 3;
    out[i + 3] = 255;
    if (!(intensity > 0)) {
      out[i] = out[i + 1] = out[i + 2] = 0;
      continue;
    }
    const factor = scale * Math.asinh(strong * intensity / softening) / intensity;
    r = Math.max(r, 0) * factor;
    g = Math.max(g, 0) * factor;
    b = Math.max(b, 0) * factor;
    const largest = Math.max(r, g, b, 1);
    out[i] = sRgb[Math.round(4096 * r / largest)];
    out[i + 1] = sRgb[Math.round(4096 * g / largest)];
    out[i + 2] = sRgb[Math.round(4096 * b / largest)];
  }
}

// Figures from dark (least) to bright (most); the strength bends the middle.
function paintFigure(layer, codes, out, strength) {
  const grey = new Uint8Array(256);
  for (let c = 1; c < 256; c++) grey[c] = Math.round(255 * Math.pow((c - 1) / 254, 1 / strength));
  const planes = layer.planes.length;
  for (let i = 0; i < codes.length; i += 4) {
    out[i] = grey[codes[i]];
    out[i + 1] = grey[codes[i + (planes === 3 ? 1 : 0)]];
    out[i + 2] = grey[codes[i + (planes === 3 ? 2 : 0)]];
    out[i + 3] = 255;
  }
}
