// What paper cannot: ticks that stay, tables that sort, lanes that zoom. The page says the same
// without it. No network, no other file.
(() => {
  'use strict';
  const main = document.querySelector('main');

  // Done tests stay done after a reload, by report and by name of the test.
  const key = 'lostnode ' + main.dataset.report;
  let done = [];
  try { done = JSON.parse(localStorage.getItem(key)) || []; } catch { /* storage is forbidden */ }
  for (const box of main.querySelectorAll('.tests input')) {
    const test = box.dataset.test;
    box.checked = done.includes(test);
    box.addEventListener('change', () => {
      done = done.filter(other => other !== test).concat(box.checked ? [test] : []);
      try { localStorage.setItem(key, JSON.stringify(done)); } catch { /* then it is not kept */ }
    });
  }

  // A click on the head of a column sorts by it, a second one the other way round.
  for (const table of main.querySelectorAll('table')) {
    const heads = [...table.tHead.rows[0].cells];
    heads.forEach((head, column) => {
      const button = document.createElement('button');
      button.type = 'button';
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener('click', () => {
        const down = head.getAttribute('aria-sort') === 'ascending';
        heads.forEach(other => other.removeAttribute('aria-sort'));
        head.setAttribute('aria-sort', down ? 'descending' : 'ascending');
        const value = row => row.cells[column].dataset.v ?? row.cells[column].textContent;
        const order = (a, b) => value(a).localeCompare(value(b), 'en', { numeric: true });
        const number = row => parseFloat(row.cells[column].dataset.v);
        const both = (a, b) => number(a) - number(b) || order(a, b);
        const rows = [...table.tBodies[0].rows].sort(both);
        table.tBodies[0].append(...(down ? rows.reverse() : rows));
      });
    });
  }

  // All plots of time zoom and move together. Shares of the whole: from where to where.
  const plots = [...main.querySelectorAll('.plot')];
  const whole = parseFloat(main.dataset.length);
  const lanes = main.querySelector('#presence');
  if (!plots.length || !(whole > 0) || !lanes) return;
  let [from, to] = [0, 1];
  const boxes = plots.map(plot => plot.getAttribute('viewBox').split(' ').map(Number));
  // Bars that are drawn wider than they are, so that they can be seen.
  const widened = [...main.querySelectorAll('rect[data-w]')];
  const steps = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200,
    1800, 3600, 7200, 21600];
  const label = (time, step) => {
    if (step < 1) return time.toFixed(2);
    const all = Math.round(time);
    return step < 60 ? String(all) : Math.floor(all / 60) + ':' + String(all % 60).padStart(2, '0');
  };
  const show = () => {
    const wide = to - from;
    plots.forEach((plot, at) => {
      const [, y, , height] = boxes[at];
      plot.setAttribute('viewBox', `${from * 1000} ${y} ${wide * 1000} ${height}`);
    });
    for (const bar of widened) {
      bar.setAttribute('width', Math.max(parseFloat(bar.dataset.w), 2.5 * wide));
    }
    const least = whole * wide / 8;
    const step = steps.find(own => own >= least) ?? Math.ceil(least / 86400) * 86400;
    const first = Math.ceil(from * whole / step - 1e-9);
    for (const ticks of main.querySelectorAll('.ticks')) {
      ticks.replaceChildren();
      for (let at = first; at * step <= to * whole * 1.0001; at++) {
        const share = (at * step / whole - from) / wide * 100;
        const mark = document.createElement('span');
        mark.textContent = label(at * step, step);
        mark.style.left = share + '%';
        mark.style.transform = `translateX(-${share < 3 ? 0 : share > 97 ? 100 : 50}%)`;
        ticks.append(mark);
      }
    }
    for (const unit of main.querySelectorAll('.unit')) {
      unit.textContent = step < 60 ? 'seconds' : 'min:s';
    }
    main.style.setProperty('--step', step / whole / wide * 100 + '%');
    const width = plots[0].clientWidth;
    main.style.setProperty('--shift', (first * step / whole - from) / wide * width + 'px');
  };
  const set = (start, wide) => {
    wide = Math.min(1, Math.max(wide, 0.05 / whole, 1e-5));
    from = Math.min(Math.max(start, 0), 1 - wide);
    to = from + wide;
    show();
  };
  const zoom = (factor, at) => set(from + at * (to - from) * (1 - factor), (to - from) * factor);
  const share = event => {
    const box = event.currentTarget.getBoundingClientRect();
    return (event.clientX - box.left) / box.width;
  };
  for (const plot of plots) {
    let held = null;
    plot.addEventListener('pointerdown', event => { held = share(event); });
    plot.addEventListener('pointermove', event => {
      if (held === null || !event.buttons) { held = null; return; }
      const now = share(event);
      set(from - (now - held) * (to - from), to - from);
      held = now;
    });
    plot.addEventListener('dblclick', event => zoom(0.4, share(event)));
    plot.addEventListener('wheel', event => {
      if (!event.ctrlKey) return;
      event.preventDefault();
      zoom(event.deltaY < 0 ? 0.7 : 1 / 0.7, share(event));
    }, { passive: false });
  }
  const bar = document.createElement('p');
  bar.className = 'zoom soft';
  const actions = [
    ['+', 'zoom in', () => zoom(0.5, 0.5)],
    ['−', 'zoom out', () => zoom(2, 0.5)],
    ['◀', 'earlier', () => set(from - (to - from) / 3, to - from)],
    ['▶', 'later', () => set(from + (to - from) / 3, to - from)],
    ['all', 'show all', () => set(0, 1)],
  ];
  for (const [text, name, action] of actions) {
    const button = document.createElement('button');
    button.type = 'button';
    button.textContent = text;
    button.setAttribute('aria-label', name);
    button.addEventListener('click', action);
    bar.append(button);
  }
  bar.append(' or double-click to zoom in, drag to move');
  lanes.parentElement.append(bar);
  main.classList.add('live');
  addEventListener('resize', show);
  // Paper has no zoom: it shows all.
  addEventListener('beforeprint', () => set(0, 1));
})();
