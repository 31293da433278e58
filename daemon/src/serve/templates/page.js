// What the pages do beside being read: a chart reads out its points, and a page that became old is
// renewed. Everything else works without this file.
'use strict';

// Reads out one point of a chart: under the chart, as a line over it, and in its table.
function reader(figure) {
  const box = figure.querySelector('.reader');
  const out = figure.querySelector('.readout');
  const rows = [...figure.querySelectorAll('table.numbers tbody tr')];
  const unit = figure.querySelector('table.numbers th.number').textContent.split(', ')[1] || '';
  const drawings = [...box.children].map((part) => ({
    part,
    svg: part.querySelector('svg'),
    places: part.dataset.places.split(' ').filter(Boolean).map((one) => one.split(',').map(Number)),
    plot: part.dataset.plot.split(' ').map(Number),
  }));
  let at = -1;
  if (rows.length > 0) out.textContent = 'Point at the chart, or go to it and use the arrow keys.';

  function words(row) {
    const cell = (name) => row.querySelector(`.${name}`)?.textContent.trim() ?? '';
    const [at, board] = [...row.cells].map((one) => one.textContent.trim());
    const stratum = cell('stratum') ? `, ${cell('stratum')}` : '';
    const spread = /\d/.test(cell('spread')) ? `, spread ${cell('spread')}` : '';
    const remarks = cell('remarks') ? `. ${cell('remarks')}` : '';
    return `${at}, ${board}${stratum}: ${`${cell('value')} ${unit}`.trim()}${spread}${remarks}`;
  }

  function mark(drawing) {
    const old = drawing.svg.querySelector('.mark');
    if (old) old.remove();
    if (at < 0) return;
    const [x, y] = drawing.places[at];
    const [top, bottom] = drawing.plot;
    const line = document.createElementNS('http://www.w3.org/2000/svg', 'path');
    line.setAttribute('class', 'mark');
    line.setAttribute('d', `M${x} ${top}V${bottom}M${x - 6} ${y}a6 6 0 1 0 12 0a6 6 0 1 0 -12 0`);
    drawing.svg.append(line);
  }

  function show(next) {
    if (rows.length === 0) return;
    if (at >= 0) rows[at].classList.remove('read');
    at = Math.max(0, Math.min(rows.length - 1, next));
    rows[at].classList.add('read');
    out.textContent = `${at + 1} of ${rows.length}: ${words(rows[at])}`;
    drawings.forEach(mark);
  }

  // The next row with a remark that is no mere note on what is drawn.
  const notes = ['', 'baseline', 'shown beside, not judged'];
  function signal(step) {
    for (let place = at + step; place >= 0 && place < rows.length; place += step) {
      const remark = rows[place].querySelector('.remarks').textContent.trim();
      if (!notes.includes(remark)) return place;
    }
    return at < 0 ? 0 : at;
  }

  box.addEventListener('keydown', (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const start = at < 0 ? rows.length : at;
    const next = {
      ArrowLeft: start - 1, ArrowRight: at < 0 ? rows.length - 1 : at + 1, Home: 0,
      End: rows.length - 1, PageUp: signal(-1), PageDown: signal(1),
    }[event.key];
    if (next === undefined) return;
    event.preventDefault();
    show(next);
  });
  box.addEventListener('focus', () => { if (at < 0) show(rows.length - 1); });
  box.addEventListener('pointermove', (event) => {
    const drawing = drawings.find((one) => one.part.contains(event.target));
    if (!drawing || drawing.places.length === 0) return;
    const frame = drawing.svg.getBoundingClientRect();
    const x = (event.clientX - frame.left) * drawing.svg.viewBox.baseVal.width / frame.width;
    let near = 0;
    drawing.places.forEach((place, index) => {
      if (Math.abs(place[0] - x) < Math.abs(drawing.places[near][0] - x)) near = index;
    });
    if (near !== at) show(near);
  });
}

function charts() {
  document.querySelectorAll('figure.chart').forEach(reader);
}

// What takes a look through the archive comes once the page is there.
async function later() {
  const part = document.querySelector('[data-later]');
  if (!part) return;
  part.setAttribute('aria-busy', 'true');
  const answer = await fetch(part.dataset.later, { headers: { accept: 'text/html' } });
  part.removeAttribute('aria-busy');
  if (!answer.ok) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), 'text/html');
  const found = fresh.getElementById(part.id);
  if (!found || !part.isConnected) return;
  part.replaceWith(document.adoptNode(found));
  // The chart shows what explains the alert as well; who reads it already keeps it.
  const [old, chart] = [document, fresh].map((page) => page.querySelector('figure.chart'));
  if (!old || !chart || old.contains(document.activeElement)
    || old.querySelector('tr.read, details[open]')) return;
  old.replaceWith(document.adoptNode(chart));
  reader(chart);
}

// Whether someone is at work on the page, so that it must not change under their hands.
function busy() {
  const main = document.getElementById('main');
  const begun = [...main.querySelectorAll('input, textarea')].some((one) => one.value !== one.defaultValue);
  const inside = main.contains(document.activeElement) && document.activeElement !== main;
  return begun || inside || main.querySelector('tr.read, details[open]') !== null;
}

// Says that there is something new, where the page must not change.
function tell() {
  const news = document.getElementById('news');
  if (news.textContent !== '') return;
  const link = document.createElement('a');
  link.href = location.href;
  link.textContent = 'Show it';
  news.append('Something new has been recorded. ', link);
}

async function renew() {
  const answer = await fetch(location.href, { headers: { accept: 'text/html' } });
  if (!answer.ok) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), 'text/html');
  // Someone may have begun to work on the page since it was asked for.
  if (busy()) {
    tell();
    return;
  }
  for (const id of ['main', 'time']) {
    const part = fresh.getElementById(id);
    if (part) document.getElementById(id).replaceWith(document.adoptNode(part));
  }
  document.getElementById('news').textContent = '';
  charts();
  later().catch(() => {});
}

function follow() {
  let waiting = null;
  const events = new EventSource('/events');
  events.addEventListener('changed', () => {
    if (waiting !== null) return;
    // News come in bursts; one look at the end of each is enough.
    waiting = setTimeout(() => {
      waiting = null;
      if (busy()) tell();
      else renew().catch(() => {});
    }, 2000);
  });
}

charts();
later().catch(() => {});
if (document.getElementById('news') && 'EventSource' in window) follow();
