// What does each shape look like, how far do values reach, and where do ticks stand?

function extent(all, axis, log) {
  let low = Infinity;
  let high = -Infinity;
  for (const values of all) {
    for (let i = 0; i < values.length; i++) {
      const value = values[i];
      if (!Number.isFinite(value) || (log && value <= 0)) continue;
      if (value < low) low = value;
      if (value > high) high = value;
    }
  }
  if (axis.low !== null && !(log && axis.low <= 0)) low = axis.low;
  if (axis.high !== null) high = axis.high;
  if (!Number.isFinite(low) || !Number.isFinite(high)) return log ? [1, 10] : [0, 1];
  if (low < high) return [low, high];
  const room = log ? 0 : Math.abs(low) * 0.05 || 1;
  return log ? [low / 2, high * 2] : [low - room, high + room];
}

function roomy([low, high], axis, log) {
  if (log) return [axis.low > 0 ? low : low / 1.15, axis.high === null ? high * 1.15 : high];
  const room = 0.06 * (high - low);
  return [axis.low === null && low !== 0 ? low - room : low, axis.high === null ? high + room : high];
}

// Two lines that run upon each other are told apart: the one below is drawn wider.
function lineWidth(lines, one) {
  return lines.length === 2 && lines[0] === one ? 4 : 1.5;
}

// Places of ticks on a log axis: powers of ten, with 2 and 5 between if they are few, even steps within one.
function decades([low, high]) {
  const places = [];
  const span = Math.log10(high / low);
  if (span < 0.5) {
    const step = 10 ** Math.floor(Math.log10((high - low) / 2));
    for (let at = Math.ceil(low / step) * step; at <= high * (1 + 1e-9); at += step) places.push(Number(at.toPrecision(9)));
    return places;
  }
  for (let power = Math.floor(Math.log10(low)); power <= Math.ceil(Math.log10(high)); power++) {
    for (const part of span < 2.5 ? [1, 2, 5] : [1]) {
      const at = Number((part * 10 ** power).toPrecision(6));
      if (at >= low * (1 - 1e-9) && at <= high * (1 + 1e-9)) places.push(at);
    }
  }
  return places;
}

// The least and the greatest of some values, gaps left out.
function ends(values) {
  let least = null;
  let most = null;
  for (const value of values) {
    if (!Number.isFinite(value)) continue;
    if (least === null || value < least) least = value;
    if (most === null || value > most) most = value;
  }
  return [least, most];
}

function barWidth(one) {
  let least = Infinity;
  for (let i = 1; i < one.x.length; i++) if (one.x[i] > one.x[i - 1]) least = Math.min(least, one.x[i] - one.x[i - 1]);
  return Number.isFinite(least) ? least : 1;
}

const SHAPES = {
  line(ctx, one, picked, across, up, { tone, thick, unit }) {
    const path = new Path2D();
    let open = false;
    for (const i of picked) {
      if (!Number.isFinite(one.y[i])) {
        open = false;
        continue;
      }
      if (open) path.lineTo(across(one.x[i]), up(one.y[i])); else path.moveTo(across(one.x[i]), up(one.y[i]));
      open = true;
    }
    ctx.strokeStyle = tone;
    ctx.lineWidth = thick;
    ctx.globalAlpha = thick > 2 * unit ? 0.5 : 1;
    ctx.stroke(path);
    ctx.globalAlpha = 1;
  },

  steps(ctx, one, picked, across, up, { tone, thick, unit }) {
    const path = new Path2D();
    let last = NaN;
    for (const i of picked) {
      const x = across(one.x[i]);
      if (Number.isFinite(last)) path.lineTo(x, last);
      const y = Number.isFinite(one.y[i]) ? up(one.y[i]) : NaN;
      if (Number.isFinite(y)) {
        if (Number.isFinite(last)) path.lineTo(x, y); else path.moveTo(x, y);
      }
      last = y;
    }
    ctx.strokeStyle = tone;
    ctx.lineWidth = thick;
    ctx.globalAlpha = thick > 2 * unit ? 0.5 : 1;
    ctx.stroke(path);
    ctx.globalAlpha = 1;
  },

  dots(ctx, one, picked, across, up, { tone, unit, wide }) {
    const paths = symbolPaths();
    const size = (wide > 2000 ? 2 : wide > 300 ? 3 : 4) * unit;
    for (const i of picked) addSymbol(paths, one.symbol, across(one.x[i]), up(one.y[i]), one.keep && one.keep[i] ? Math.max(size, 3.5 * unit) : size);
    paint(ctx, paths, tone, 1.5 * unit);
  },

  bars(ctx, one, picked, across, up, { tone, unit, zero }) {
    const wide = barWidth(one);
    ctx.fillStyle = tone;
    ctx.globalAlpha = 0.75;
    for (const i of picked) {
      const left = across(one.x[i] - wide / 2);
      const width = across(one.x[i] + wide / 2) - left;
      const room = width > 4 * unit ? unit : 0;
      const top = up(one.y[i]);
      ctx.fillRect(left, Math.min(top, zero), Math.max(width - room, unit), Math.abs(zero - top));
    }
    ctx.globalAlpha = 1;
  },

  band(ctx, one, picked, across, up, { tone }) {
    ctx.fillStyle = tone;
    ctx.globalAlpha = 0.22;
    let run = [];
    const close = () => {
      if (run.length > 1) {
        const path = new Path2D();
        for (const i of run) path.lineTo(across(one.x[i]), up(one.high[i]));
        for (const i of run.reverse()) path.lineTo(across(one.x[i]), up(one.y[i]));
        path.closePath();
        ctx.fill(path);
      }
      run = [];
    };
    for (const i of picked) {
      if (Number.isFinite(one.y[i]) && Number.isFinite(one.high[i])) run.push(i); else close();
    }
    close();
    ctx.globalAlpha = 1;
  },
};
