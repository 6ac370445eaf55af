// What do marks and numbers look like? Colours by meaning, symbols by name, numbers without idle digits.

const MINUS = '\u2212';

function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
}

function make(name, settings, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(settings || {})) {
    if (key === 'class') element.className = value;
    else if (key.startsWith('on')) element.addEventListener(key.slice(2), value);
    else element.setAttribute(key, value);
  }
  element.append(...children);
  return element;
}

function numberWords(value) {
  if (!Number.isFinite(value)) return 'none';
  const size = Math.abs(value);
  if (size !== 0 && (size >= 1e15 || size < 1e-6)) return value.toExponential(3).replace('-', MINUS);
  return String(Number(value.toPrecision(size >= 1e6 ? 12 : 7))).replace('-', MINUS);
}

// As many digits as tell two places apart that lie `step` from each other.
function placeWords(value, step) {
  const places = step > 0 ? Math.min(9, Math.max(0, Math.ceil(-Math.log10(step)) + 1)) : 6;
  return String(Number(value.toFixed(places))).replace('-', MINUS);
}

function withUnit(words, unit) {
  return unit ? `${words} ${unit}` : words;
}

function named(axis) {
  return axis.unit ? `${axis.label}, ${axis.unit}` : axis.label;
}

// Adds one symbol to two paths: what is to be filled, and what is to be stroked.
function addSymbol(paths, symbol, x, y, r) {
  const { fill, stroke } = paths;
  if (symbol === 'circle') {
    fill.moveTo(x + r, y);
    fill.arc(x, y, r, 0, 2 * Math.PI);
  } else if (symbol === 'cross') {
    stroke.moveTo(x - r, y - r);
    stroke.lineTo(x + r, y + r);
    stroke.moveTo(x - r, y + r);
    stroke.lineTo(x + r, y - r);
  } else if (symbol === 'square') {
    fill.rect(x - 0.85 * r, y - 0.85 * r, 1.7 * r, 1.7 * r);
  } else if (symbol === 'triangle') {
    fill.moveTo(x, y - r);
    fill.lineTo(x + r, y + 0.8 * r);
    fill.lineTo(x - r, y + 0.8 * r);
    fill.closePath();
  } else if (symbol === 'diamond') {
    fill.moveTo(x, y - 1.2 * r);
    fill.lineTo(x + 1.2 * r, y);
    fill.lineTo(x, y + 1.2 * r);
    fill.lineTo(x - 1.2 * r, y);
    fill.closePath();
  } else {
    stroke.moveTo(x, y - r);
    stroke.lineTo(x, y + r);
  }
}

function symbolPaths() {
  return { fill: new Path2D(), stroke: new Path2D() };
}

function paint(ctx, paths, tone, width, hollow = false) {
  ctx.fillStyle = tone;
  ctx.strokeStyle = tone;
  ctx.lineWidth = width;
  if (hollow) ctx.stroke(paths.fill); else ctx.fill(paths.fill);
  ctx.stroke(paths.stroke);
}

// Fates in doubt, or beside the point, are hollow marks.
function isHollow(fate) {
  return fate.tone === 'doubt' || fate.tone === 'muted';
}

// Kinds of stretches differ by the way they are hatched, not by shade alone; the first is plain.
function hatch(ctx, box, kind, step, shade) {
  if (kind < 1) return;
  const path = new Path2D();
  const { left, top, width, height } = box;
  const turn = (kind - 1) % 5;
  const gap = step * (1 + Math.floor((kind - 1) / 5));
  const from = Math.floor(left / gap) * gap;
  for (let at = from - height; at < left + width + height; at += gap) {
    if (turn === 0 || turn === 4) {
      path.moveTo(at, top + height);
      path.lineTo(at + height, top);
    }
    if (turn === 1 || turn === 4) {
      path.moveTo(at, top);
      path.lineTo(at + height, top + height);
    }
    if (turn === 2) {
      path.moveTo(at, top);
      path.lineTo(at, top + height);
    }
  }
  for (let at = top + gap / 2; turn === 3 && at < top + height; at += gap) {
    path.moveTo(left, at);
    path.lineTo(left + width, at);
  }
  ctx.save();
  ctx.beginPath();
  ctx.rect(left, top, width, height);
  ctx.clip();
  ctx.globalAlpha = 0.4;
  ctx.strokeStyle = shade;
  ctx.lineWidth = Math.max(1, step / 10);
  ctx.stroke(path);
  ctx.restore();
}

// A small drawing for the legend: the symbol, or a piece of line, band or bar.
function swatch(shape, symbol, tone, kind = 0, hollow = false) {
  const canvas = make('canvas', { width: 36, height: 24, class: 'swatch', 'aria-hidden': 'true' });
  const ctx = canvas.getContext('2d');
  const shade = colour(tone);
  const paths = symbolPaths();
  if (shape === 'dots') addSymbol(paths, symbol, 18, 12, 8);
  else if (shape === 'band') paths.fill.rect(2, 5, 32, 14);
  else if (shape === 'bars') {
    paths.fill.rect(6, 10, 8, 12);
    paths.fill.rect(20, 3, 8, 19);
  } else if (shape === 'steps') {
    paths.stroke.moveTo(2, 18);
    paths.stroke.lineTo(18, 18);
    paths.stroke.lineTo(18, 6);
    paths.stroke.lineTo(34, 6);
  } else {
    paths.stroke.moveTo(2, 12);
    paths.stroke.lineTo(34, 12);
  }
  if (shape === 'band') ctx.globalAlpha = 0.35;
  paint(ctx, paths, shade, hollow ? 3 : 4, hollow);
  if (shape === 'band' && kind) hatch(ctx, { left: 2, top: 5, width: 32, height: 14 }, kind, 10, shade);
  return canvas;
}

function button(words, about, act) {
  return make('button', { type: 'button', title: about, 'aria-label': about, onclick: act }, words);
}

const KEYS_HELP = 'Keys: + and - zoom, arrows move, 0 or Home shows all.';
