// What brings the page to life? Pictures are unpacked when they come near, then the rest; theme and print buttons.

const FONT = 'system-ui, sans-serif';
const PRINT_SCALE = 3;
const PRINT_WIDTH = 680; // CSS pixels between the margins of A4
const PRINT_HEIGHT = 195;
const views = new Map();
const waiting = new Map();
const spoken = make('p', { class: 'unseen', 'aria-live': 'polite' });

function announce(words) {
  spoken.textContent = words;
}

function numbersTable(title, heads, rows, note) {
  const head = make('tr', {}, ...heads.map((word) => make('th', { scope: 'col' }, word)));
  const body = rows.map((row) => make('tr', {}, make('th', { scope: 'row' }, row[0]), ...row.slice(1).map((cell) => make('td', {}, cell))));
  const table = make('table', {}, make('caption', {}, `${title}: numbers in view`), make('thead', {}, head), make('tbody', {}, ...body));
  const box = make('div', { class: 'wide', tabindex: '0', role: 'region', 'aria-label': `${title}: numbers` }, table);
  return note ? make('div', {}, box, make('p', { class: 'note' }, note)) : box;
}

// The numbers of one picture, unpacked once.
function numbersOf(figure) {
  if (!waiting.has(figure)) {
    const spec = JSON.parse(figure.querySelector('script[type="application/json"]').textContent);
    waiting.set(figure, Promise.all(spec.arrays.map(unpacked)).then((arrays) => {
      figure.numbers = { spec, arrays };
    }));
  }
  return waiting.get(figure);
}

function build(figure) {
  if (views.has(figure) || !figure.numbers || !figure.querySelector('.stage').clientWidth) return;
  const { spec, arrays } = figure.numbers;
  const View = spec.kind === 'strip' ? StripView : PlotView;
  views.set(figure, new View(figure, spec, arrays));
  figure.dataset.drawn = 'yes';
  figure.view = views.get(figure); // for whoever looks from the console, and for tests
}

async function draw(figure) {
  try {
    await numbersOf(figure);
    build(figure);
  } catch (error) {
    figure.querySelector('.stage').textContent = 'This browser cannot unpack the numbers; the words and tables say the same.';
    figure.dataset.drawn = 'no';
  }
}

const figures = [...document.querySelectorAll('figure.picture')];
const watcher = new IntersectionObserver((entries) => {
  for (const entry of entries) {
    if (entry.isIntersecting) {
      watcher.unobserve(entry.target);
      draw(entry.target);
    }
  }
}, { rootMargin: '400px 0px' });
const sizes = new ResizeObserver((entries) => {
  requestAnimationFrame(() => entries.forEach((entry) => {
    const view = views.get(entry.target.closest('figure'));
    if (view) view.resize();
  }));
});
for (const figure of figures) {
  watcher.observe(figure);
  sizes.observe(figure.querySelector('.stage'));
}
document.body.append(spoken);

// A part that was asked for stays at the top while pictures above it find their height, until somebody moves on.
const HOLD_MS = 3000;
let asked = null;
function ask() {
  setTimeout(() => { asked = null; }, HOLD_MS);
  asked = document.getElementById(decodeURIComponent(location.hash.slice(1)));
  hold();
}
function hold() {
  if (asked) asked.scrollIntoView({ behavior: 'instant' });
}
for (const sign of ['wheel', 'touchstart', 'keydown', 'pointerdown']) {
  addEventListener(sign, () => { asked = null; }, { capture: true, passive: true });
}
addEventListener('hashchange', ask);
for (const link of document.querySelectorAll('nav a')) link.addEventListener('click', () => setTimeout(ask));
new ResizeObserver(hold).observe(document.body);
if (location.hash) ask();

// What is further down is unpacked while nothing else happens, so that printing finds it all there.
const idle = window.requestIdleCallback || ((act) => setTimeout(act, 50));
async function rest(left) {
  if (!left.length) {
    document.documentElement.dataset.unpacked = 'all';
    return;
  }
  await numbersOf(left[0]).catch(() => {});
  idle(() => rest(left.slice(1)));
}
idle(() => rest(figures));

// --- theme: as the system has it until the button is pressed, and then for as long as the page is open --------

const root = document.documentElement;
const themeButton = document.getElementById('theme');
const dark = matchMedia('(prefers-color-scheme: dark)');

function isDark() {
  return root.dataset.theme ? root.dataset.theme === 'dark' : dark.matches;
}

function recolour() {
  themeButton.textContent = isDark() ? 'Light' : 'Dark';
  themeButton.setAttribute('aria-label', isDark() ? 'Light colours' : 'Dark colours');
  for (const view of views.values()) view.recolour();
}

themeButton.addEventListener('click', () => {
  root.dataset.theme = isDark() ? 'light' : 'dark';
  recolour();
});
dark.addEventListener('change', recolour);
themeButton.hidden = false;
recolour();

// --- paper: everything open, light, and pictures drawn anew at three times the size ---------------------------

let before = null;

function toPaper() {
  if (before) return;
  before = { theme: root.dataset.theme, closed: [...document.querySelectorAll('details:not([open])')] };
  root.dataset.theme = 'light';
  for (const one of before.closed) one.open = true;
  for (const figure of figures) {
    build(figure);
    const view = views.get(figure);
    if (!view) continue;
    const canvas = view.printed(PRINT_WIDTH);
    canvas.className = 'paper';
    canvas.removeAttribute('style');
    canvas.setAttribute('aria-hidden', 'true');
    figure.querySelector('.stage').append(canvas);
  }
  for (const view of views.values()) view.recolour();
}

function fromPaper() {
  if (!before) return;
  if (before.theme) root.dataset.theme = before.theme; else delete root.dataset.theme;
  for (const one of before.closed) one.open = false;
  for (const canvas of document.querySelectorAll('canvas.paper')) canvas.remove();
  before = null;
  recolour();
}

window.addEventListener('beforeprint', toPaper);
window.addEventListener('afterprint', fromPaper);
const printButton = document.getElementById('print');
printButton.hidden = false;
printButton.addEventListener('click', async () => {
  await Promise.all(figures.map((figure) => numbersOf(figure).catch(() => {})));
  window.print();
});

// An address behind # opens what it lies in.
function openTarget() {
  const target = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  for (let one = target; one; one = one.parentElement) if (one.tagName === 'DETAILS') one.open = true;
}
window.addEventListener('hashchange', openTarget);
openTarget();
