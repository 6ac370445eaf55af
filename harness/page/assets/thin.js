// Which of a million points are drawn? Every extreme of each pixel column, and every point marked to be kept.

// The first place at which x is at least `at` (ascending x).
function placeOf(x, at) {
  let low = 0;
  let high = x.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (x[middle] < at) low = middle + 1; else high = middle;
  }
  return low;
}

// The places in view, with one more on either side so that lines leave the picture.
function inView(x, low, high) {
  return [Math.max(0, placeOf(x, low) - 1), Math.min(x.length, placeOf(x, high) + 2)];
}

// A line: first, lowest, highest, last and a gap of each column, and what is to be kept; all if they are few.
function thinLine(one, from, to, columnOf, columns) {
  const picked = [];
  if (to - from <= 4 * columns) {
    for (let i = from; i < to; i++) picked.push(i);
    return picked;
  }
  const { x, y, high, keep } = one;
  const top = high || y;
  let start = from;
  while (start < to) {
    const column = columnOf(x[start]);
    let end = start;
    let least = -1;
    let most = -1;
    let gap = -1;
    const kept = [];
    for (; end < to && columnOf(x[end]) === column; end++) {
      if (Number.isNaN(y[end])) gap = end;
      else {
        if (least < 0 || y[end] < y[least]) least = end;
        if (most < 0 || top[end] > top[most]) most = end;
      }
      if (keep && keep[end]) kept.push(end);
    }
    const places = [start, least, most, gap, end - 1, ...kept].filter((place) => place >= 0);
    places.sort((a, b) => a - b);
    for (const place of places) if (place !== picked[picked.length - 1]) picked.push(place);
    start = end;
  }
  return picked;
}

// Dots: one for each pixel that any dot touches, and every one that is to be kept.
function thinDots(one, from, to, columnOf, rowOf, columns, rows) {
  const { x, y, keep } = one;
  const picked = [];
  const few = to - from <= 2 * columns;
  const taken = few ? null : new Uint8Array((columns + 2) * (rows + 2));
  for (let i = from; i < to; i++) {
    if (Number.isNaN(y[i])) continue;
    if (few || (keep && keep[i])) {
      picked.push(i);
      continue;
    }
    const column = Math.min(Math.max(columnOf(x[i]), -1), columns) + 1;
    const row = Math.min(Math.max(rowOf(y[i]), -1), rows) + 1;
    const pixel = row * (columns + 2) + column;
    if (taken[pixel]) continue;
    taken[pixel] = 1;
    picked.push(i);
  }
  return picked;
}

// The nearest point to `at`; -1 if there is none.
function nearest(x, at) {
  if (!x.length) return -1;
  const place = placeOf(x, at);
  if (place === 0) return 0;
  if (place === x.length) return x.length - 1;
  return at - x[place - 1] <= x[place] - at ? place - 1 : place;
}
