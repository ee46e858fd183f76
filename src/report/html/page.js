'use strict';
(() => {
  const all = (of, what) => Array.from(of.querySelectorAll(what));
  const byId = (id) => document.getElementById(id);

  // Filter and search.
  const controls = byId('controls');
  if (controls) {
    controls.hidden = false;
    const chips = all(controls, '.chip');
    const find = byId('find');
    const shown = byId('shown');
    let sheets = null;
    let articles = null;
    const verdictOf = (cell) => Array.from(cell.classList).find((name) => name.startsWith('v-'));
    const read = () => {
      sheets = all(document, '.matrix').map((table) => ({
        box: table.parentElement,
        product: table.caption.textContent.toLowerCase(),
        corners: all(table, 'th.c').map((th) => th.textContent.toLowerCase()),
        rows: Array.from(table.tBodies[0].rows, (row) => ({
          row,
          text: (row.cells[0].textContent + ' ' + row.cells[1].textContent + ' ' + row.cells[2].textContent + ' ' + row.dataset.q).toLowerCase(),
          cells: Array.from(row.cells).slice(4).map((cell) => ({ cell, verdict: verdictOf(cell), dim: false })),
        })),
      }));
      articles = all(document, '.corner').map((box) => ({
        box,
        text: (box.querySelector('h4').textContent + ' ' + all(box, '.labels dd').map((dd) => dd.textContent).join(' ')).toLowerCase(),
        verdict: verdictOf(box.querySelector('.v')),
      }));
    };
    const apply = () => {
      if (!sheets) read();
      const verdicts = chips.filter((chip) => chip.getAttribute('aria-pressed') === 'true').map((chip) => chip.dataset.v);
      const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
      const filters = verdicts.length > 0 || words.length > 0;
      let runs = 0;
      let corners = 0;
      for (const sheet of sheets) {
        let any = false;
        for (const { row, text, cells } of sheet.rows) {
          const left = words.filter((word) => !text.includes(word) && !sheet.product.includes(word));
          let hits = 0;
          cells.forEach((entry, i) => {
            const hit = left.every((word) => sheet.corners[i].includes(word)) && (verdicts.length === 0 || verdicts.includes(entry.verdict));
            hits += hit ? 1 : 0;
            if (entry.dim === hit) {
              entry.dim = !hit;
              entry.cell.classList.toggle('dim', !hit);
            }
          });
          row.hidden = hits === 0;
          any = any || hits > 0;
          runs += hits > 0 ? 1 : 0;
          corners += hits;
        }
        sheet.box.hidden = !any;
      }
      for (const { box, text, verdict } of articles) {
        box.hidden = !(words.every((word) => text.includes(word)) && (verdicts.length === 0 || verdicts.includes(verdict)));
      }
      for (const heading of all(document, 'h3.group')) {
        let next = heading.nextElementSibling;
        let any = false;
        while (next && (next.classList.contains('corner') || next.classList.contains('on-paper'))) {
          if (next.classList.contains('on-paper')) { next = next.nextElementSibling; continue; }
          any = any || !next.hidden;
          next = next.nextElementSibling;
        }
        heading.hidden = !any;
      }
      shown.textContent = filters ? corners + (corners === 1 ? ' corner in ' : ' corners in ') + runs + (runs === 1 ? ' run' : ' runs') : '';
    };
    chips.forEach((chip) => chip.addEventListener('click', () => {
      chip.setAttribute('aria-pressed', String(chip.getAttribute('aria-pressed') !== 'true'));
      apply();
    }));
    let wait = 0;
    find.addEventListener('input', () => {
      clearTimeout(wait);
      wait = setTimeout(apply, 80);
    });
    controls.addEventListener('submit', (event) => {
      event.preventDefault();
      apply();
    });
    byId('clear').addEventListener('click', () => {
      chips.forEach((chip) => chip.setAttribute('aria-pressed', 'false'));
      find.value = '';
      apply();
    });
  }

  // On a narrow screen each run is a paragraph: its corners are named in their cells.
  const narrow = matchMedia('(max-width: 34rem)');
  const stackRows = () => {
    all(document, '.matrix').forEach((table) => {
      if (narrow.matches && !table.dataset.named) {
        table.dataset.named = '1';
        const names = all(table, 'th.c').map((th) => th.textContent);
        for (const row of table.tBodies[0].rows) {
          Array.from(row.cells).slice(4).forEach((cell, i) => {
            const name = document.createElement('span');
            name.className = 'of-corner';
            name.textContent = names[i] + ' ';
            cell.prepend(name);
          });
        }
      }
      table.classList.toggle('by-row', narrow.matches);
    });
  };
  narrow.addEventListener('change', stackRows);
  if (narrow.matches) stackRows();

  // A link to a detail opens it.
  const open = () => {
    const target = byId(location.hash.slice(1));
    const details = target && target.closest('details');
    if (!details) return;
    details.closest('.corner').hidden = false;
    details.open = true;
    target.scrollIntoView();
    details.querySelector('summary').focus({ preventScroll: true });
  };
  addEventListener('hashchange', open);
  if (location.hash) open();

  // What is not pass is printed open.
  let opened = [];
  addEventListener('beforeprint', () => {
    opened = all(document, '.bad > details:not([open])');
    opened.forEach((details) => { details.open = true; });
  });
  addEventListener('afterprint', () => opened.forEach((details) => { details.open = false; }));

  // Reading values off a plot, by mouse and by keyboard.
  const perDecade = 4000;
  const points = (path) => {
    let x = 0;
    let y = 0;
    const found = [];
    const numbers = (path ? path.getAttribute('d') : '').match(/-?\d+/g) || [];
    for (let i = 0; i + 1 < numbers.length; i += 2) {
      x += Number(numbers[i]);
      y += Number(numbers[i + 1]);
      found.push([x, y]);
    }
    return found;
  };
  const digits = (value, count) => String(Number(value.toPrecision(count)));
  const hertz = (hz) => (hz >= 1e6 ? digits(hz / 1e6, 4) + ' MHz' : hz >= 1e3 ? digits(hz / 1e3, 4) + ' kHz' : digits(hz, 4) + ' Hz');
  const fixed = (value, places) => value.toFixed(places).replace('-', '\u2212');
  const at = (line, x) => {
    let i = line.findIndex((point) => point[0] >= x);
    if (i < 1) i = i === 0 ? 1 : line.length - 1;
    const [a, b] = [line[i - 1], line[i]];
    const share = b[0] === a[0] ? 0 : Math.min(1, Math.max(0, (x - a[0]) / (b[0] - a[0])));
    return a[1] + share * (b[1] - a[1]);
  };
  const prepare = (figure) => {
    const areas = all(figure, '.area');
    const strips = areas.map((area) => {
      const lines = all(area, '.lines .curve');
      const main = points(area.querySelector('.lines .judged') || lines[lines.length - 1]);
      const band = points(area.querySelector('.lines .band'));
      const half = band.length >> 1;
      const [left, , width] = area.querySelector('.lines').getAttribute('viewBox').split(' ').map(Number);
      const hair = document.createElement('div');
      hair.className = 'hair';
      area.append(hair);
      return { main, other: points(area.querySelector('.lines .confirms')), upper: band.slice(0, half), lower: band.slice(half).reverse(), left, width, units: Number(area.dataset.units), hair };
    });
    const box = figure.closest('.plots');
    const map = box.querySelector('.map');
    const output = box.querySelector('output');
    // Two curves over each other have a difference below each part.
    const isPair = box.classList.contains('pair');
    const [gain, angle] = isPair ? [strips[0], strips[2]] : strips;
    const range = isPair ? strips[1].main : strips[0].main;
    const start = range[0][0];
    const end = range[range.length - 1][0];
    let place = Math.round((start + end) / 2);
    const value = (strip) => -at(strip.main, place) / strip.units;
    const spread = (strip) => (strip.upper.length > 1 ? (at(strip.lower, place) - at(strip.upper, place)) / 2 / strip.units : null);
    const pm = (strip, places, unit) => {
      const u = spread(strip);
      return fixed(value(strip), places) + ' ' + unit + (u === null ? '' : ' ± ' + fixed(u, places) + ' ' + unit);
    };
    const show = () => {
      box.classList.add('reading');
      strips.forEach((strip) => { strip.hair.style.left = 100 * (place - strip.left) / strip.width + '%'; });
      if (isPair) {
        const both = (strip, change, unit) => 'A ' + fixed(value(strip), 2) + ' ' + unit + ', B ' + fixed(-at(strip.other, place) / strip.units, 2) + ' ' + unit + ', B less A ' + pm(change, 2, unit);
        output.textContent = hertz(10 ** (place / perDecade)) + ': gain ' + both(gain, strips[1], 'dB') + '; angle ' + both(angle, strips[3], 'deg');
        return;
      }
      output.textContent = hertz(10 ** (place / perDecade)) + ': gain ' + pm(gain, 2, 'dB') + ', angle ' + pm(angle, 2, 'deg');
      if (!map) return;
      const size = Number(map.dataset.sign) * 1000 * 10 ** (value(gain) / 20);
      const turn = value(angle) * Math.PI / 180;
      const cursor = map.querySelector('.cursor');
      cursor.setAttribute('cx', String(Math.round(size * Math.cos(turn))));
      cursor.setAttribute('cy', String(Math.round(-size * Math.sin(turn))));
    };
    const move = (to) => {
      place = Math.round(Math.min(end, Math.max(start, to)));
      show();
    };
    return { areas, strips, move, show, place: () => place, start, end };
  };
  // The groups of a series, from the table below its plot.
  all(document, '.plots.drift').forEach((box) => {
    const area = box.querySelector('.area');
    const focus = box.querySelector('.strips');
    const output = box.querySelector('output');
    if (!area || !output) return;
    const rows = () => all(box.parentElement, '.f-stats tbody tr');
    const titles = () => all(box.parentElement, '.f-stats thead th').map((th) => th.textContent);
    const first = Number(box.dataset.first);
    const [left, , width] = area.querySelector('.lines').getAttribute('viewBox').split(' ').map(Number);
    let hair = null;
    let row = -1;
    const move = (to) => {
      const known = rows();
      if (!known.length) return;
      row = Math.min(known.length - 1, Math.max(0, to));
      if (!hair) {
        hair = document.createElement('div');
        hair.className = 'hair';
        area.append(hair);
      }
      box.classList.add('reading');
      hair.style.left = 100 * (1000 * (first + row) - left) / width + '%';
      const [label, ...cells] = Array.from(known[row].cells, (cell) => cell.textContent.trim());
      const names = titles();
      const parts = cells.map((text, i) => (text ? (i === 5 ? text : names[i + 1] + ' ' + text) : '')).filter(Boolean);
      output.textContent = label + ': ' + parts.join(', ');
    };
    focus.tabIndex = 0;
    focus.setAttribute('role', 'group');
    focus.setAttribute('aria-label', 'means of the groups; left and right arrow keys read values');
    output.className = 'hint';
    output.textContent = 'Point at the plot, or move to it and use the arrow keys, to read values.';
    area.addEventListener('pointermove', (event) => {
      const frame = area.getBoundingClientRect();
      move(Math.round((left + width * (event.clientX - frame.left) / frame.width) / 1000) - first);
    });
    focus.addEventListener('keydown', (event) => {
      const last = rows().length - 1;
      const step = event.shiftKey ? 10 : 1;
      const to = { ArrowLeft: (row < 0 ? last : row) - step, ArrowRight: row + step, Home: 0, End: last }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      move(to);
    });
  });
  all(document, '.bode').forEach((figure) => {
    let plot = null;
    const ready = () => (plot = plot || prepare(figure));
    const focus = figure.querySelector('.strips');
    focus.tabIndex = 0;
    focus.setAttribute('role', 'group');
    focus.setAttribute('aria-label', 'gain and angle over frequency; left and right arrow keys read values');
    const output = figure.closest('.plots').querySelector('output');
    output.className = 'hint';
    output.textContent = 'Point at the plot, or move to it and use the arrow keys, to read values.';
    figure.addEventListener('pointermove', (event) => {
      const area = event.target.closest('.area');
      if (!area) return;
      const { strips, move } = ready();
      const frame = area.getBoundingClientRect();
      move(strips[0].left + strips[0].width * (event.clientX - frame.left) / frame.width);
    });
    figure.addEventListener('keydown', (event) => {
      const { move, place, start, end } = ready();
      const step = event.shiftKey ? perDecade / 10 : perDecade / 100;
      const to = { ArrowLeft: place() - step, ArrowRight: place() + step, Home: start, End: end }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      move(to);
    });
  });
})();
