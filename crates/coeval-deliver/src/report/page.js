'use strict';
(() => {
  // Listening checks: one plays at a time. Without this script the players that the browser brings are there.
  let current = null;
  for (const version of document.querySelectorAll('.version')) {
    const audio = version.querySelector('audio');
    const button = version.querySelector('[data-play]');
    const needle = version.querySelector('[data-needle]');
    const label = button.getAttribute('aria-label');
    audio.controls = false;
    audio.hidden = true;
    button.hidden = false;
    const stop = () => {
      audio.pause();
      version.classList.remove('playing');
      button.setAttribute('aria-label', label);
      if (current === stop) current = null;
    };
    const follow = () => {
      if (current !== stop) return;
      needle.style.left = (100 * audio.currentTime / audio.duration) + '%';
      requestAnimationFrame(follow);
    };
    button.addEventListener('click', () => {
      if (current === stop) { stop(); return; }
      if (current) current();
      current = stop;
      audio.currentTime = 0;
      version.classList.add('playing');
      button.setAttribute('aria-label', label.replace(/^Play/, 'Stop'));
      audio.play().then(follow, stop);
    });
    audio.addEventListener('ended', stop);
  }

  // Lines to copy. Where the browser keeps the clipboard to itself they are selected, for the keys that copy.
  for (const button of document.querySelectorAll('[data-copy]')) {
    const lines = button.parentElement.querySelector('pre');
    button.hidden = false;
    const mark = () => {
      getSelection().selectAllChildren(lines);
      button.textContent = 'Selected: press Ctrl+C';
    };
    button.addEventListener('click', () => {
      if (!navigator.clipboard) { mark(); return; }
      navigator.clipboard.writeText(lines.textContent).then(() => { button.textContent = 'Copied'; }, mark);
    });
  }

  // The chart.
  const chart = document.querySelector('[data-chart]');
  const sheet = document.querySelector('[data-sheet]');
  const said = document.querySelector('[data-said]');
  const hand = document.querySelector('[data-hand]');
  const duration = Number(chart.dataset.duration) || 1;
  const most = Math.max(1, Math.min(64, duration / 20));
  let zoom = 1;
  document.querySelector('[data-tools]').hidden = false;
  const clock = (s) => {
    const t = Math.max(0, Math.round(s));
    const two = (n) => String(n).padStart(2, '0');
    return Math.floor(t / 3600) + ':' + two(Math.floor(t / 60) % 60) + ':' + two(t % 60);
  };
  const tell = () => {
    const from = duration * chart.scrollLeft / sheet.offsetWidth;
    const shown = duration * Math.min(1, chart.clientWidth / sheet.offsetWidth);
    said.textContent = clock(from) + ' to ' + clock(from + shown);
  };
  const set = (to, at) => {
    const point = at === undefined ? chart.clientWidth / 2 : at;
    const share = (chart.scrollLeft + point) / sheet.offsetWidth;
    zoom = Math.min(most, Math.max(1, to));
    sheet.style.setProperty('--zoom', zoom);
    sheet.classList.toggle('z1', zoom >= 3);
    sheet.classList.toggle('z2', zoom >= 10);
    chart.scrollLeft = share * sheet.offsetWidth - point;
    tell();
  };
  const act = { closer: () => set(zoom * 1.6), wider: () => set(zoom / 1.6), whole: () => set(1) };
  for (const button of document.querySelectorAll('[data-zoom]')) {
    button.addEventListener('click', act[button.dataset.zoom]);
  }
  chart.addEventListener('keydown', (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const todo = { '+': act.closer, '=': act.closer, '-': act.wider, '0': act.whole,
      Home: () => { chart.scrollLeft = 0; }, End: () => { chart.scrollLeft = sheet.offsetWidth; } }[event.key];
    if (todo) { todo(); event.preventDefault(); }
  });
  chart.addEventListener('wheel', (event) => {
    if (!event.ctrlKey) return;
    event.preventDefault();
    set(zoom * Math.exp(-event.deltaY / 300), event.clientX - chart.getBoundingClientRect().left);
  }, { passive: false });
  chart.addEventListener('scroll', tell, { passive: true });
  chart.addEventListener('pointermove', (event) => {
    const at = event.clientX - sheet.getBoundingClientRect().left;
    hand.hidden = event.pointerType === 'touch';
    hand.style.left = at + 'px';
    said.textContent = 'Pointer at ' + clock(duration * at / sheet.offsetWidth);
  });
  chart.addEventListener('pointerleave', () => { hand.hidden = true; tell(); });
  addEventListener('resize', tell);
  tell();
})();
