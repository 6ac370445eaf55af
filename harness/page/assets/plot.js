// How is a plot drawn and moved through? Axes, scales, cursor and drag are uPlot's; points are drawn from all data
// anew at every zoom.

const LABEL_ROWS = 2;
const LABEL_HIGH = 15;
const groups = new Map(); // plots of the run's time move together

class PlotView {
  constructor(figure, spec, arrays) {
    Object.assign(this, { figure, spec, hidden: new Set(), drawn: [], fitted: false });
    this.series = spec.series.map((one) => ({
      ...one,
      x: arrays[one.x],
      y: arrays[one.y],
      high: one.high === null ? null : arrays[one.high],
      keep: one.keep === null ? null : arrays[one.keep],
    }));
    this.kinds = [...new Set(spec.spans.map((span) => span[2]))];
    this.whole = this.extents();
    this.view = { x: [...this.whole.x], y: [...this.whole.y] };
    this.build();
    const time = spec.x.label.toLowerCase() === 'time' && spec.x.unit === 's';
    if (time) {
      this.group = 'time';
      if (!groups.has('time')) groups.set('time', new Set());
      groups.get('time').add(this);
    }
  }

  extents() {
    const { x, y, spans, rules } = this.spec;
    const along = rules.filter((rule) => rule[1] === 'x').map((rule) => rule[0]);
    const across = rules.filter((rule) => rule[1] === 'y').map((rule) => rule[0]);
    const bars = this.series.some((one) => one.shape === 'bars') ? [0] : [];
    const xs = [...this.series.map((one) => one.x), spans.map((s) => s[0]), spans.map((s) => s[1]), along];
    const ys = [...this.series.map((one) => one.y), ...this.series.map((one) => one.high || []), across, bars];
    let ends = extent(xs, x, x.log);
    const wide = Math.max(0, ...this.series.filter((one) => one.shape === 'bars').map(barWidth));
    if (wide && !x.log) ends = [x.low === null ? ends[0] - wide / 2 : ends[0], x.high === null ? ends[1] + wide / 2 : ends[1]];
    return { x: ends, y: roomy(extent(ys, y, y.log), y, y.log) };
  }

  build() {
    this.stage = this.figure.querySelector('.stage');
    this.legend = make('ul', { class: 'legend' });
    this.canvas = make('div', {
      class: 'canvas', tabindex: '0', role: 'img',
      'aria-label': `${this.spec.title}. ${this.figure.querySelector('.about').textContent} ${KEYS_HELP}`,
      'aria-keyshortcuts': '+ - ArrowLeft ArrowRight 0 Home',
    });
    this.readout = make('p', { class: 'readout' });
    this.fit = button('Fit height', 'Fit the height to what is in view', () => this.toggleFit());
    this.fit.setAttribute('aria-pressed', 'false');
    this.table = make('div', { class: 'numbers' });
    this.numbers = button('Numbers', 'Show the numbers in view as a table', () => this.toggleTable());
    this.numbers.setAttribute('aria-expanded', 'false');
    const tools = make('div', { class: 'tools', role: 'group', 'aria-label': `Zoom: ${this.spec.title}` },
      button('+', 'Zoom in', () => this.zoom(0.5)), button(MINUS, 'Zoom out', () => this.zoom(2)),
      button('\u2190', 'Earlier', () => this.pan(-0.5)), button('\u2192', 'Later', () => this.pan(0.5)),
      button('All', 'Show all', () => this.reset()), this.fit, this.numbers);
    this.stage.replaceChildren(this.legend, this.canvas, make('div', { class: 'under' }, this.readout, tools), this.table);
    this.listLegend();
    this.canvas.addEventListener('keydown', (event) => this.key(event));
    this.canvas.addEventListener('wheel', (event) => this.wheel(event), { passive: false });
    this.plot = this.create(this.canvas, this.canvas.clientWidth, this.height(), 1);
    this.plot.over.addEventListener('dblclick', () => this.reset());
  }

  height() {
    return this.canvas.clientWidth < 500 ? 220 : 300;
  }

  create(target, width, height, scale) {
    const axis = (one, side) => ({
      stroke: () => colour('ink'),
      grid: { stroke: () => colour('grid'), width: scale },
      ticks: { stroke: () => colour('grid'), width: scale, size: 5 * scale },
      font: `${12 * scale}px ${FONT}`,
      labelFont: `${12 * scale}px ${FONT}`,
      ...(side === 'x' ? { label: named(one), labelSize: 20 * scale } : {}),
      gap: 4 * scale,
      size: side === 'y' ? (one.ticks.length ? 110 : 56) * scale : 30 * scale,
      space: (side === 'y' ? 34 : 64) * scale,
      ...(one.log ? { splits: () => decades(this.view[side]) } : {}),
      ...(one.ticks.length ? {
        splits: () => one.ticks.map((tick) => tick[0]),
        values: (_plot, splits) => splits.map((at) => (one.ticks.find((tick) => tick[0] === at) || ['', ''])[1]),
      } : {
        values: (_plot, splits) => splits.map((at) => (at === null ? '' : numberWords(at))),
      }),
    });
    const scaleOf = (side) => ({
      time: false, auto: false, distr: this.spec[side].log ? 3 : 1, range: () => [...this.view[side]],
    });
    const heading = this.spec.rules.some((rule) => rule[1] === 'x' && rule[2]) ? LABEL_ROWS * LABEL_HIGH + 4 : 6;
    const plot = new uPlot({
      width, height,
      padding: [(heading + LABEL_HIGH) * scale, 12 * scale, null, null],
      legend: { show: false },
      cursor: {
        points: { show: false }, x: true, y: false,
        drag: { x: true, y: true, uni: 40, setScale: false, dist: 4 },
      },
      scales: { x: scaleOf('x'), y: scaleOf('y') },
      axes: [axis(this.spec.x, 'x'), axis(this.spec.y, 'y')],
      series: [{}, { paths: () => null, points: { show: false } }],
      hooks: {
        drawClear: [(u) => this.drawSpans(u, scale)],
        draw: [(u) => this.drawAll(u, scale)],
        setSelect: [(u) => this.selected(u)],
        setCursor: [(u) => this.read(u)],
      },
    }, [[...this.whole.x], [null, null]], target);
    plot.batch(() => {
      plot.setScale('x', { min: this.view.x[0], max: this.view.x[1] });
      plot.setScale('y', { min: this.view.y[0], max: this.view.y[1] });
    });
    return plot;
  }

  listLegend() {
    const kinds = new Map(this.spec.spans.map((span) => [span[2], span[3]]));
    const alike = new Map();
    for (const one of this.series) {
      const look = [one.name, one.shape, one.tone, one.symbol].join('\n');
      alike.set(look, [...(alike.get(look) || []), one]);
    }
    const items = [...alike.values()].map((same) => {
      const [one] = same;
      const shown = make('button', { type: 'button', 'aria-pressed': String(!this.hidden.has(one)), title: 'Show or hide' },
        swatch(one.shape, one.symbol, one.tone), one.name);
      shown.addEventListener('click', () => this.toggle(same, shown));
      return make('li', {}, shown);
    });
    for (const [kind, tone] of kinds) {
      if (kind) items.push(make('li', {}, make('span', {}, swatch('band', '', tone, this.kinds.indexOf(kind)), kind)));
    }
    this.legend.replaceChildren(...items);
  }

  toggle(same, shown) {
    const hide = !this.hidden.has(same[0]);
    for (const one of same) if (hide) this.hidden.add(one); else this.hidden.delete(one);
    shown.setAttribute('aria-pressed', String(!hide));
    this.redraw();
  }

  // --- moving -----------------------------------------------------------------------------------------------

  toLine(side, value) {
    return this.spec[side].log ? Math.log10(value) : value;
  }

  fromLine(side, value) {
    return this.spec[side].log ? 10 ** value : value;
  }

  show(x, y, alone) {
    const [low, high] = this.whole.x.map((end) => this.toLine('x', end));
    let [from, to] = x.map((end) => this.toLine('x', end));
    const least = (high - low) * 1e-9;
    if (to - from < least) to = from + least;
    const span = Math.min(to - from, high - low);
    from = Math.min(Math.max(from, low), high - span);
    this.view.x = [this.fromLine('x', from), this.fromLine('x', from + span)];
    if (span === high - low) this.view.x = [...this.whole.x];
    if (this.fitted) this.view.y = this.heightInView();
    else if (y) this.view.y = y;
    this.redraw();
    if (this.group && !alone) {
      for (const other of groups.get(this.group)) {
        if (other !== this) other.show([...this.view.x], null, true);
      }
    }
  }

  zoom(factor, around = 0.5) {
    const [from, to] = this.view.x.map((end) => this.toLine('x', end));
    const at = from + around * (to - from);
    const span = (to - from) * factor;
    this.show([at - around * span, at + (1 - around) * span].map((end) => this.fromLine('x', end)));
  }

  pan(share) {
    const [from, to] = this.view.x.map((end) => this.toLine('x', end));
    this.show([from + share * (to - from), to + share * (to - from)].map((end) => this.fromLine('x', end)));
  }

  reset() {
    this.show([...this.whole.x], [...this.whole.y]);
  }

  toggleFit() {
    this.fitted = !this.fitted;
    this.fit.setAttribute('aria-pressed', String(this.fitted));
    this.show([...this.view.x], [...this.whole.y]);
  }

  heightInView() {
    const [low, high] = this.view.x;
    const parts = [];
    for (const one of this.series) {
      if (this.hidden.has(one)) continue;
      const from = placeOf(one.x, low);
      const to = placeOf(one.x, high) + 1;
      const first = one.shape === 'dots' ? from : Math.max(0, from - 1);
      parts.push(one.y.subarray(first, to), (one.high || one.y).subarray(first, to));
    }
    const free = { low: null, high: null };
    return roomy(extent(parts, free, this.spec.y.log), free, this.spec.y.log);
  }

  selected(plot) {
    const { left, top, width, height } = plot.select;
    if (width < 4 && height < 4) return;
    const across = plot.over.clientWidth;
    const x = width >= 4 && width < across - 1
      ? [plot.posToVal(left, 'x'), plot.posToVal(left + width, 'x')] : [...this.view.x];
    const y = height >= 4 && height < plot.over.clientHeight - 1
      ? [plot.posToVal(top + height, 'y'), plot.posToVal(top, 'y')] : null;
    plot.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
    this.show(x, y);
  }

  key(event) {
    const acts = {
      '+': () => this.zoom(0.5), '=': () => this.zoom(0.5), '-': () => this.zoom(2),
      ArrowLeft: () => this.pan(-0.25), ArrowRight: () => this.pan(0.25),
      0: () => this.reset(), Home: () => this.reset(),
    };
    if (event.ctrlKey || event.metaKey || event.altKey || !acts[event.key]) return;
    event.preventDefault();
    acts[event.key]();
    this.say();
  }

  wheel(event) {
    if (!event.ctrlKey && !event.shiftKey) return;
    event.preventDefault();
    const box = this.plot.over.getBoundingClientRect();
    const around = Math.min(1, Math.max(0, (event.clientX - box.left) / box.width));
    const turn = event.deltaY || event.deltaX;
    if (event.ctrlKey) this.zoom(turn > 0 ? 1.25 : 0.8, around); else this.pan(turn > 0 ? 0.15 : -0.15);
  }

  say() {
    const [low, high] = this.view.x;
    const step = (high - low) / 100;
    announce(`${this.spec.x.label} ${placeWords(low, step)} to ${withUnit(placeWords(high, step), this.spec.x.unit)}`);
  }

  read(plot) {
    const left = plot.cursor.left;
    if (left === undefined || left === null || left < 0) {
      this.readout.textContent = '';
      return;
    }
    const at = plot.posToVal(left, 'x');
    const step = (this.view.x[1] - this.view.x[0]) / plot.over.clientWidth;
    const words = [`${this.spec.x.label} ${withUnit(placeWords(at, step), this.spec.x.unit)}`];
    for (const one of this.series) {
      if (this.hidden.has(one)) continue;
      let place = one.shape === 'steps' ? placeOf(one.x, at + 1e-12) - 1 : nearest(one.x, at);
      if (place < 0) continue;
      if (one.shape !== 'steps' && Math.abs(one.x[place] - at) > 12 * step && one.shape !== 'line') place = -1;
      if (place >= 0 && !Number.isNaN(one.y[place])) words.push(`${one.name} ${this.valueWords(one.y[place])}`);
    }
    for (const kind of new Set(this.spec.spans.filter((span) => span[0] <= at && at < span[1]).map((span) => span[2]))) words.push(kind);
    this.readout.textContent = words.join(' \u00b7 ');
  }

  valueWords(value) {
    const tick = this.spec.y.ticks.find((one) => one[0] === value);
    return tick ? tick[1] : withUnit(numberWords(value), this.spec.y.unit);
  }

  // --- the numbers as a table -------------------------------------------------------------------------------

  toggleTable() {
    const open = this.numbers.getAttribute('aria-expanded') !== 'true';
    this.numbers.setAttribute('aria-expanded', String(open));
    if (open) this.fillTable(); else this.table.replaceChildren();
  }

  fillTable() {
    if (this.numbers.getAttribute('aria-expanded') !== 'true') return;
    const [low, high] = this.view.x;
    const rows = [];
    let count = 0;
    for (const one of this.series) {
      if (this.hidden.has(one)) continue;
      for (let i = placeOf(one.x, low); i < one.x.length && one.x[i] <= high; i++) {
        count += 1;
        if (rows.length < 300) {
          const told = one.high ? `${numberWords(one.y[i])} to ${numberWords(one.high[i])}` : this.valueWords(one.y[i]);
          rows.push([one.name, placeWords(one.x[i], 1e-6 * Math.abs(one.x[i])), told]);
        }
      }
    }
    const left = count > rows.length ? `The first ${rows.length} of ${count} in view; zoom in to see others.` : '';
    this.table.replaceChildren(numbersTable(this.spec.title, ['what', named(this.spec.x), named(this.spec.y)], rows, left));
  }

  // --- drawing ----------------------------------------------------------------------------------------------

  redraw() {
    const { x, y } = this.view;
    this.plot.batch(() => {
      this.plot.setScale('x', { min: x[0], max: x[1] });
      this.plot.setScale('y', { min: y[0], max: y[1] });
    });
    this.plot.redraw(false, true);
    this.fillTable();
  }

  resize() {
    const width = this.canvas.clientWidth;
    if (width && width !== this.plot.width) this.plot.setSize({ width, height: this.height() });
  }

  recolour() {
    this.listLegend();
    this.plot.redraw(false, true);
  }

  inside(plot, draw) {
    const { ctx, bbox } = plot;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    draw(ctx, bbox);
    ctx.restore();
  }

  drawSpans(plot, scale) {
    this.inside(plot, (ctx, box) => {
      for (const [low, high, kind, tone] of this.spec.spans) {
        const left = plot.valToPos(low, 'x', true);
        const width = Math.max(plot.valToPos(high, 'x', true) - left, scale);
        if (left > box.left + box.width || left + width < box.left) continue;
        ctx.fillStyle = colour(tone);
        ctx.globalAlpha = 0.11;
        ctx.fillRect(left, box.top, width, box.height);
        if (width < 5 * scale) continue;
        ctx.globalAlpha = 0.45;
        ctx.fillRect(left, box.top, scale, box.height);
        ctx.fillRect(left + width - scale, box.top, scale, box.height);
        hatch(ctx, { left, top: box.top, width, height: box.height }, this.kinds.indexOf(kind), 9 * scale * uPlot.pxRatio, colour(tone));
      }
    });
  }

  drawAll(plot, scale) {
    const unit = scale === 1 ? uPlot.pxRatio : scale * uPlot.pxRatio;
    this.inside(plot, (ctx, box) => {
      ctx.lineJoin = 'round';
      ctx.lineCap = 'butt';
      this.drawRules(plot, unit, ctx, box);
      const lines = this.series.filter((one) => !this.hidden.has(one) && (one.shape === 'line' || one.shape === 'steps'));
      const drawn = this.series.map((one) => (this.hidden.has(one) ? null
        : this.drawOne(plot, one, unit, ctx, box, lineWidth(lines, one) * unit)));
      if (scale === 1) this.drawn = drawn;
    });
    this.labelRules(plot, unit, plot.ctx, plot.bbox);
  }

  drawOne(plot, one, unit, ctx, box, thick) {
    const across = this.mapper(plot, 'x');
    const up = this.mapper(plot, 'y');
    const columnOf = (value) => Math.floor(across(value) - box.left);
    const [from, to] = inView(one.x, ...this.view.x);
    const columns = Math.ceil(box.width);
    const tone = colour(one.tone);
    const picked = one.shape === 'dots'
      ? thinDots(one, from, to, columnOf, (value) => Math.floor(up(value) - box.top), columns, Math.ceil(box.height))
      : thinLine(one, from, to, columnOf, columns);
    SHAPES[one.shape](ctx, one, picked, across, up, { tone, unit, thick, zero: up(0), wide: to - from });
    const [low, high] = this.view.x;
    const seen = picked.filter((i) => one.x[i] >= low && one.x[i] <= high);
    const kept = one.keep ? seen.reduce((sum, i) => sum + one.keep[i], 0) : 0;
    const [least, most] = ends(picked.map((i) => one.y[i]));
    return { name: one.name, marks: picked.length, seen: seen.length, kept, least, most };
  }

  // Where a value stands, in pixels of the canvas; on a log axis nothing lies below its end.
  mapper(plot, side) {
    const [low, high] = this.view[side];
    const [from, to] = [plot.valToPos(low, side, true), plot.valToPos(high, side, true)];
    const { log } = this.spec[side];
    const start = log ? Math.log10(low) : low;
    const slope = (to - from) / ((log ? Math.log10(high) : high) - start);
    if (log) return (value) => from + slope * (Math.log10(value > 0 ? value : low) - start);
    return (value) => from + slope * (value - start);
  }

  drawRules(plot, unit, ctx, box) {
    for (const [at, along, , tone] of this.spec.rules) {
      const place = plot.valToPos(at, along, true);
      ctx.strokeStyle = colour(tone);
      ctx.globalAlpha = tone === 'muted' ? 0.55 : 1;
      ctx.lineWidth = (tone === 'muted' ? 1 : 1.5) * unit;
      ctx.setLineDash([4 * unit, 4 * unit]);
      ctx.beginPath();
      if (along === 'x') {
        ctx.moveTo(place, box.top);
        ctx.lineTo(place, box.top + box.height);
      } else {
        ctx.moveTo(box.left, place);
        ctx.lineTo(box.left + box.width, place);
      }
      ctx.stroke();
    }
    ctx.setLineDash([]);
    ctx.globalAlpha = 1;
  }

  // The height is named above it, to be read without turning. Labels of upright lines stand above the plot, in rows; those without room come when one zooms in.
  labelRules(plot, unit, ctx, box) {
    ctx.save();
    ctx.font = `${11 * unit}px ${FONT}`;
    ctx.textBaseline = 'middle';
    ctx.textAlign = 'left';
    ctx.fillStyle = colour('ink');
    ctx.font = `${12 * unit}px ${FONT}`;
    ctx.fillText(named(this.spec.y), 2 * unit, 8 * unit);
    ctx.font = `${11 * unit}px ${FONT}`;
    const rows = Array(LABEL_ROWS).fill(-Infinity);
    const high = LABEL_HIGH * unit;
    for (const [at, along, label, tone] of [...this.spec.rules].sort((a, b) => a[0] - b[0])) {
      const place = plot.valToPos(at, along, true);
      const width = ctx.measureText(label).width;
      ctx.fillStyle = colour(tone);
      if (!label) continue;
      if (along === 'y') this.labelAcross(ctx, box, unit, { place, label, width });
      else if (place >= box.left - 1 && place <= box.left + box.width + 1) {
        const left = Math.max(box.left, Math.min(place - 2 * unit, box.left + box.width - width));
        const row = rows.findIndex((end) => end + 8 * unit <= left);
        if (row < 0) continue;
        rows[row] = left + width;
        const y = box.top - (row + 0.5) * high - 2 * unit;
        ctx.fillText(label, left, y);
        ctx.fillRect(place - unit / 2, y + high / 2, unit, box.top - y - high / 2);
      }
    }
    ctx.restore();
  }

  labelAcross(ctx, box, unit, { place, label, width }) {
    if (place < box.top || place > box.top + box.height) return;
    const left = box.left + box.width - width - 6 * unit;
    const high = LABEL_HIGH * unit;
    const top = place - high < box.top ? place + unit : place - high - unit;
    const ink = ctx.fillStyle;
    ctx.fillStyle = colour('paper');
    ctx.globalAlpha = 0.8;
    ctx.fillRect(left - 3 * unit, top, width + 6 * unit, high);
    ctx.globalAlpha = 1;
    ctx.fillStyle = ink;
    ctx.fillText(label, left, top + high / 2);
  }

  // A copy for paper: larger, so that it prints sharp.
  printed(width) {
    const aside = make('div', { class: 'aside' });
    document.body.append(aside);
    const copy = this.create(aside, width * PRINT_SCALE, PRINT_HEIGHT * PRINT_SCALE, PRINT_SCALE);
    copy.batch(() => copy.redraw(false, true));
    const canvas = copy.ctx.canvas;
    canvas.remove();
    copy.destroy();
    aside.remove();
    return canvas;
  }

  state() {
    return { kind: 'plot', view: { x: [...this.view.x], y: [...this.view.y] }, whole: this.whole, series: this.drawn };
  }
}
