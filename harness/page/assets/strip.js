// How is every packet one mark? In rows that read like text; where several share a mark, the worst one shows.

const ROWS_MOST = 24;
const CELL_LEAST = 5;
const CELL_MOST = 26;

class StripView {
  constructor(figure, spec, arrays) {
    Object.assign(this, { figure, spec, fate: arrays[spec.fate], at: arrays[spec.at], focus: 0 });
    this.count = this.fate.length;
    this.ranks = spec.fates.map((fate) => fate.rank);
    this.totals = spec.fates.map(() => 0);
    for (let i = 0; i < this.count; i++) this.totals[this.fate[i]] += 1;
    this.common = this.totals.indexOf(Math.max(...this.totals));
    this.breaks = new Map(spec.breaks);
    this.view = [0, this.count];
    this.build();
  }

  build() {
    this.stage = this.figure.querySelector('.stage');
    this.legend = make('ul', { class: 'legend' });
    this.canvas = make('canvas', {
      class: 'packets', tabindex: '0', role: 'img',
      'aria-label': `${this.spec.title}. ${this.figure.querySelector('.about').textContent} ${KEYS_HELP} N and P go to the next and previous packet that is out of the ordinary.`,
      'aria-keyshortcuts': '+ - ArrowLeft ArrowRight ArrowUp ArrowDown 0 Home N P',
    });
    this.readout = make('p', { class: 'readout' });
    this.table = make('div', { class: 'numbers' });
    this.numbers = button('Numbers', 'Show what is out of the ordinary in view as a table', () => this.toggleTable());
    this.numbers.setAttribute('aria-expanded', 'false');
    const tools = make('div', { class: 'tools', role: 'group', 'aria-label': `Zoom: ${this.spec.title}` },
      button('+', 'Zoom in', () => this.zoom(0.5)), button(MINUS, 'Zoom out', () => this.zoom(2)),
      button('\u2190', 'Earlier', () => this.pan(-0.5)), button('\u2192', 'Later', () => this.pan(0.5)),
      button('All', 'Show all', () => this.reset()),
      button('Next odd one', 'Next packet out of the ordinary', () => this.seek(1)), this.numbers);
    this.stage.replaceChildren(this.legend, make('div', { class: 'canvas' }, this.canvas),
      make('div', { class: 'under' }, this.readout, tools), this.table);
    this.listLegend();
    this.canvas.addEventListener('keydown', (event) => this.key(event));
    this.canvas.addEventListener('focus', () => this.redraw());
    this.canvas.addEventListener('blur', () => this.redraw());
    this.canvas.addEventListener('wheel', (event) => this.wheel(event), { passive: false });
    this.canvas.addEventListener('pointermove', (event) => this.hover(event));
    this.canvas.addEventListener('pointerleave', () => this.tell(null));
    this.canvas.addEventListener('pointerdown', (event) => this.press(event));
    this.canvas.addEventListener('pointerup', (event) => this.release(event));
    this.canvas.addEventListener('dblclick', () => this.reset());
    this.redraw();
  }

  listLegend() {
    const items = this.spec.fates.map((fate, place) => [fate, this.totals[place]]).filter((one) => one[1])
      .map(([fate, total]) => make('li', {}, make('span', {}, swatch('dots', fate.symbol, fate.tone, 0, isHollow(fate)), `${fate.word}: ${total}`)));
    if (this.breaks.size) items.push(make('li', {}, make('span', {}, swatch('dots', 'bar', 'ink'), 'something was done here')));
    this.legend.replaceChildren(...items);
  }

  // --- layout: how many packets share a mark, how many marks a row, how wide ------------------------------------

  layout(width) {
    const count = this.view[1] - this.view[0];
    for (let cell = CELL_MOST; cell >= CELL_LEAST; cell--) {
      const across = Math.max(1, Math.floor(width / cell));
      const rows = Math.ceil(count / across);
      const most = cell >= 14 ? 8 : cell >= 9 ? 14 : ROWS_MOST;
      if (rows <= most) return { cell, across, rows, each: 1, marks: count, high: cell + 3 };
    }
    const across = Math.floor(width / CELL_LEAST);
    const each = Math.ceil(count / (across * ROWS_MOST));
    const marks = Math.ceil(count / each);
    return { cell: CELL_LEAST, across, rows: Math.ceil(marks / across), each, marks, high: CELL_LEAST + 5 };
  }

  worst(from, to) {
    let found = this.fate[from];
    let place = from;
    for (let i = from + 1; i < to; i++) {
      if (this.ranks[this.fate[i]] > this.ranks[found]) {
        found = this.fate[i];
        place = i;
      }
    }
    return [found, place];
  }

  show(from, to) {
    const span = Math.max(1, Math.min(this.count, Math.round(to - from)));
    const first = Math.max(0, Math.min(this.count - span, Math.round(from)));
    this.view = [first, first + span];
    this.focus = Math.max(first, Math.min(first + span - 1, this.focus));
    this.redraw();
  }

  zoom(factor, around = this.focus) {
    const [from, to] = this.view;
    const span = (to - from) * factor;
    const share = (around - from) / Math.max(1, to - from);
    this.show(around - share * span, around - share * span + span);
    if (around < this.view[0] || around >= this.view[1]) this.show(around, around + 1);
  }

  pan(share) {
    const [from, to] = this.view;
    const step = Math.sign(share) * Math.max(1, Math.round(Math.abs(share) * (to - from)));
    this.show(from + step, to + step);
  }

  reset() {
    this.show(0, this.count);
  }

  // What the eye should find: neither the commonest nor beside the point.
  isOdd(fate) {
    return fate !== this.common && this.spec.fates[fate].tone !== 'muted';
  }

  seek(step) {
    for (let i = this.focus + step; i >= 0 && i < this.count; i += step) {
      if (this.isOdd(this.fate[i])) {
        this.go(i);
        return;
      }
    }
    announce('No more packets out of the ordinary.');
  }

  go(place) {
    this.focus = Math.max(0, Math.min(this.count - 1, place));
    const [from, to] = this.view;
    if (this.focus < from || this.focus >= to) {
      const half = Math.floor((to - from) / 2);
      this.show(this.focus - half, this.focus - half + (to - from));
    } else this.redraw();
    this.tell(this.focus);
    announce(this.readout.textContent);
  }

  key(event) {
    const { each, across } = this.laid;
    const acts = {
      '+': () => this.zoom(0.5), '=': () => this.zoom(0.5), '-': () => this.zoom(2),
      ArrowLeft: () => this.go(this.focus - each), ArrowRight: () => this.go(this.focus + each),
      ArrowUp: () => this.go(this.focus - each * across), ArrowDown: () => this.go(this.focus + each * across),
      0: () => this.reset(), Home: () => this.reset(),
      n: () => this.seek(1), N: () => this.seek(1), p: () => this.seek(-1), P: () => this.seek(-1),
    };
    if (event.ctrlKey || event.metaKey || event.altKey || !acts[event.key]) return;
    event.preventDefault();
    acts[event.key]();
  }

  wheel(event) {
    if (!event.ctrlKey && !event.shiftKey) return;
    event.preventDefault();
    const turn = event.deltaY || event.deltaX;
    if (event.ctrlKey) this.zoom(turn > 0 ? 1.25 : 0.8, this.packetAt(event)); else this.pan(turn > 0 ? 0.15 : -0.15);
  }

  packetAt(event) {
    const box = this.canvas.getBoundingClientRect();
    const { cell, across, high, each, marks } = this.laid;
    const column = Math.max(0, Math.min(across - 1, Math.floor((event.clientX - box.left) / cell)));
    const row = Math.max(0, Math.floor((event.clientY - box.top) / high));
    const mark = Math.min(marks - 1, row * across + column);
    const from = this.view[0] + mark * each;
    return this.worst(from, Math.min(this.view[1], from + each))[1];
  }

  hover(event) {
    if (this.count) this.tell(this.packetAt(event));
  }

  press(event) {
    if (this.count) this.pressed = this.packetAt(event);
  }

  release(event) {
    if (!this.count || this.pressed === undefined) return;
    const [low, high] = [this.pressed, this.packetAt(event)].sort((a, b) => a - b);
    this.pressed = undefined;
    if (high - low >= 2 * this.laid.each && high - low >= 2) this.show(low, high + 1); else this.go(low);
  }

  tell(place) {
    if (place === null) {
      this.readout.textContent = '';
      return;
    }
    const done = this.breaks.get(place);
    const words = [`packet ${place + 1} of ${this.count}`, `${placeWords(this.at[place], 1e-4)} s`, this.spec.fates[this.fate[place]].word];
    if (done) words.push(`before it: ${done}`);
    if (this.laid.each > 1) words.push(`the worst of ${this.laid.each} on this mark`);
    this.readout.textContent = words.join(' \u00b7 ');
  }

  // --- the odd ones as a table ------------------------------------------------------------------------------

  toggleTable() {
    const open = this.numbers.getAttribute('aria-expanded') !== 'true';
    this.numbers.setAttribute('aria-expanded', String(open));
    if (open) this.fillTable(); else this.table.replaceChildren();
  }

  fillTable() {
    if (this.numbers.getAttribute('aria-expanded') !== 'true') return;
    const rows = [];
    let count = 0;
    for (let i = this.view[0]; i < this.view[1]; i++) {
      if (!this.isOdd(this.fate[i]) && !this.breaks.has(i)) continue;
      count += 1;
      if (rows.length < 300) rows.push([String(i + 1), placeWords(this.at[i], 1e-4), this.spec.fates[this.fate[i]].word, this.breaks.get(i) || '']);
    }
    const usual = this.spec.fates.filter((_fate, place) => this.totals[place] && !this.isOdd(place));
    const rest = `All others in view: ${usual.map((fate) => fate.word).join('; ') || 'none'}.`;
    const left = count > rows.length ? `The first ${rows.length} of ${count} in view. ${rest}` : rest;
    this.table.replaceChildren(numbersTable(this.spec.title, ['packet', 'time, s', 'what became of it', 'before it'], rows, left));
  }

  // --- drawing ----------------------------------------------------------------------------------------------

  redraw() {
    const width = this.canvas.parentElement.clientWidth;
    if (!width) return;
    this.laid = this.paintInto(this.canvas, width, window.devicePixelRatio || 1, document.activeElement === this.canvas);
    this.fillTable();
  }

  paintInto(canvas, width, scale, focused) {
    const laid = this.layout(width);
    canvas.width = Math.round(width * scale);
    canvas.height = Math.round(Math.max(1, laid.rows) * laid.high * scale);
    canvas.style.width = `${width}px`;
    canvas.style.height = `${Math.max(1, laid.rows) * laid.high}px`;
    const ctx = canvas.getContext('2d');
    ctx.scale(scale, scale);
    const paths = this.spec.fates.map(symbolPaths);
    const counts = this.spec.fates.map(() => 0);
    const done = new Path2D();
    const r = Math.min(7, laid.cell * 0.36);
    for (let mark = 0; mark < laid.marks; mark++) {
      const from = this.view[0] + mark * laid.each;
      const [fate] = this.worst(from, Math.min(this.view[1], from + laid.each));
      counts[fate] += 1;
      const x = (mark % laid.across + 0.5) * laid.cell;
      const y = (Math.floor(mark / laid.across) + 0.5) * laid.high;
      addSymbol(paths[fate], this.spec.fates[fate].symbol, x, y, this.isOdd(fate) ? 1.25 * r : 0.72 * r);
    }
    for (const place of this.breaks.keys()) {
      if (place < this.view[0] || place >= this.view[1]) continue;
      const mark = Math.floor((place - this.view[0]) / laid.each);
      done.rect((mark % laid.across) * laid.cell - 0.5, Math.floor(mark / laid.across) * laid.high, 1, laid.high);
    }
    ctx.fillStyle = colour('soft');
    ctx.fill(done);
    const order = this.spec.fates.map((_fate, place) => place).sort((a, b) => this.ranks[a] - this.ranks[b]);
    for (const place of order) {
      ctx.globalAlpha = place === this.common ? 0.5 : 1;
      paint(ctx, paths[place], colour(this.spec.fates[place].tone), Math.max(1.4, r * 0.35), isHollow(this.spec.fates[place]));
    }
    ctx.globalAlpha = 1;
    if (focused) {
      const mark = Math.floor((this.focus - this.view[0]) / laid.each);
      ctx.strokeStyle = colour('focus');
      ctx.lineWidth = 2;
      ctx.strokeRect((mark % laid.across) * laid.cell + 1, Math.floor(mark / laid.across) * laid.high + 1, laid.cell - 2, laid.high - 2);
    }
    return { ...laid, counts };
  }

  resize() {
    this.redraw();
  }

  recolour() {
    this.listLegend();
    this.redraw();
  }

  printed(width) {
    const canvas = make('canvas', {});
    this.paintInto(canvas, width, PRINT_SCALE, false);
    return canvas;
  }

  state() {
    const counts = Object.fromEntries(this.spec.fates.map((fate, place) => [fate.word, this.laid.counts[place]]));
    return { kind: 'strip', view: [...this.view], each: this.laid.each, marks: this.laid.marks, counts };
  }
}
