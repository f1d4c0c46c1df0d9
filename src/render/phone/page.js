// Shows what the recording tells: the state, which begins anew whenever the page comes back, and
// events as they happen. All of it is set as text. Nothing is asked of any other place.
(() => {
  'use strict';
  const at = id => document.getElementById(id);
  const base = location.pathname.replace(/\/?$/, '/');
  const body = document.body;
  const make = (name, kind, text) => {
    const made = document.createElement(name);
    if (kind) made.className = kind;
    if (text !== undefined) made.textContent = text;
    return made;
  };
  const clock = date => date.toLocaleTimeString('en-GB');
  const now = () => performance.now() / 1000;

  // A number stays with its unit.
  const duration = seconds => {
    if (!(seconds >= 0)) return '';
    if (seconds < 60) return seconds.toFixed(1) + '\u00a0s';
    const whole = Math.floor(seconds);
    if (whole < 3600) return Math.floor(whole / 60) + '\u00a0min ' + whole % 60 + '\u00a0s';
    return Math.floor(whole / 3600) + '\u00a0h ' + Math.floor(whole % 3600 / 60) + '\u00a0min';
  };

  // Sound. Browsers allow it only after a tap.
  let audio = null;
  let on = false;
  const sounds = () => on && audio !== null && audio.state === 'running';
  const showSound = () => {
    at('sound').setAttribute('aria-pressed', String(sounds()));
    at('sound').textContent = sounds() ? 'Sound is on (tap: off)' : 'Sound is off: tap to switch it on';
  };
  // A loss falls, a return rises: known apart without counting.
  const notes = { lost: [880, 440, 880, 440], back: [523, 784] };
  const APART = 0.5;
  let sounded = -APART;
  let waiting = null;
  const play = which => {
    if (!sounds()) return;
    sounded = now();
    body.dataset.sounded = which + ' ' + (Number((body.dataset.sounded || '').split(' ')[1] || 0) + 1);
    notes[which].forEach((pitch, place) => {
      const begin = audio.currentTime + place * 0.11;
      const tone = audio.createOscillator();
      const volume = audio.createGain();
      tone.type = 'triangle';
      tone.frequency.value = pitch;
      volume.gain.setValueAtTime(0, begin);
      volume.gain.linearRampToValueAtTime(0.8, begin + 0.01);
      volume.gain.setValueAtTime(0.8, begin + 0.08);
      volume.gain.linearRampToValueAtTime(0, begin + 0.1);
      tone.connect(volume).connect(audio.destination);
      tone.start(begin);
      tone.stop(begin + 0.11);
    });
  };
  // At most one in half a second; of those that wait a loss goes first.
  const sound = which => {
    if (waiting !== null) {
      if (which === 'lost') waiting = which;
      return;
    }
    const wait = sounded + APART - now();
    if (wait <= 0) { play(which); return; }
    waiting = which;
    setTimeout(() => { const own = waiting; waiting = null; play(own); }, wait * 1000);
  };
  at('sound').addEventListener('click', async () => {
    on = !sounds();
    if (on) {
      try {
        audio = audio || new AudioContext();
        audio.onstatechange = showSound;
        await audio.resume();
        play('back');
      } catch { on = false; }
    }
    showSound();
  });
  showSound();

  // The state.
  let state = null;
  let arrived = 0;
  // Names of what was silent when the page heard last; null before it heard anything.
  let known = null;
  const tiles = new Map();
  const clockNow = () => state.time + (stale ? 0 : now() - arrived);
  const name = node => node.name + (state.channels.length > 1 && node.channel ? ' · ' + node.channel : '');
  const tile = key => {
    let own = tiles.get(key);
    if (!own) {
      const box = make('article', 'tile');
      own = { box, head: make('h3'), state: make('p', 'state'), past: make('p') };
      box.append(own.head, own.state, own.past);
      box.addEventListener('animationend', () => box.classList.remove('new'));
      tiles.set(key, own);
    }
    return own;
  };
  const write = (place, text) => { if (place.textContent !== text) place.textContent = text; };
  const losses = node => {
    if (!node.losses) return '';
    const ago = node.last_loss === null || kind(node) === 'silent' ? '' : ', last ' + duration(clockNow() - node.last_loss) + ' ago';
    return (node.losses === 1 ? '1 loss' : node.losses + ' losses') + ago;
  };
  const kind = node => node.asleep ? 'asleep' : node.silent_since === null ? 'here' : 'silent';
  // Without a connection it is as it was.
  const words = node => (stale ? 'was ' : '') + ({
    silent: 'silent for ' + duration(clockNow() - node.silent_since),
    asleep: 'asleep: no loss',
    here: 'heard',
  })[kind(node)];
  const show = () => {
    if (!state) return;
    const silent = state.nodes.filter(node => kind(node) === 'silent');
    body.classList.toggle('some', silent.length > 0);
    const count = state.nodes.length;
    const asleep = state.nodes.filter(node => kind(node) === 'asleep').length;
    write(at('all'), silent.length ? 'Silent now: ' + silent.length + ' of ' + count
      : !count ? 'Learning who is on the bus …'
      : asleep === count ? 'The bus is asleep'
      : count === 1 ? 'The one node is heard' : 'All ' + count + ' are heard' + (asleep ? ' or asleep' : ''));
    const since = state.since_last_loss_s;
    write(at('quiet'), since === null ? 'No loss so far' : silent.length ? ''
      : duration(since + (stale ? 0 : now() - arrived)) + ' without a loss');
    document.title = silent.length ? 'silent: ' + silent.map(node => node.name).join(', ') : 'lostnode';
    const seen = new Set();
    const places = { silent: [], here: [] };
    for (const node of state.nodes) {
      const key = node.channel + ' ' + node.name;
      seen.add(key);
      const own = tile(key);
      write(own.head, name(node));
      write(own.state, words(node));
      write(own.past, losses(node));
      const is = kind(node);
      for (const other of ['silent', 'asleep']) own.box.classList.toggle(other, is === other);
      if (is !== 'silent') own.box.classList.remove('new');
      places[is === 'silent' ? 'silent' : 'here'].push(own.box);
    }
    for (const [key, own] of tiles) if (!seen.has(key)) { own.box.remove(); tiles.delete(key); }
    // A tile that stays where it is keeps its animation and the focus.
    for (const [place, boxes] of Object.entries(places)) {
      boxes.forEach((box, number) => {
        if (at(place).children[number] !== box) at(place).insertBefore(box, at(place).children[number] || null);
      });
    }
    const bus = state.channels.map(own => own.name
      + (own.load === null ? '' : ' load ' + Math.round(own.load * 100) + ' %')
      + (own.errors ? ', ' + own.errors + ' errors' : ''));
    if (state.dropped) bus.push(state.dropped + ' frames dropped');
    write(at('bus'), bus.join(' · '));
  };
  const take = given => {
    state = given;
    arrived = now();
    const those = is => new Set(state.nodes.filter(own => kind(own) === is)
      .map(own => own.channel + ' ' + own.name));
    const silent = those('silent');
    const lost = [...silent].filter(own => known !== null && !known.has(own));
    // Asleep is no return: the loss is taken back without a sound.
    const here = those('here');
    const back = known === null ? [] : [...known].filter(own => here.has(own));
    known = silent;
    show();
    for (const key of lost) tiles.get(key).box.classList.add('new');
    if (lost.length) sound('lost');
    else if (back.length) sound('back');
  };

  // What happened.
  const MOST = 40;
  const line = news => {
    const own = make('li', news.event);
    const stamp = make('time', '', clock(new Date(news.time * 1000)));
    own.append(stamp, news.sentence || news.event);
    return own;
  };
  const tell = news => {
    at('news').prepend(line(news));
    while (at('news').children.length > MOST) at('news').lastChild.remove();
  };

  // The connection. The state comes every second: nothing for four of them is none.
  const DEAF = 4;
  let source = null;
  let stale = true;
  let over = false;
  let heard = now();
  let heardAt = null;
  let tries = 0;
  let again = 0;
  const lostConnection = why => {
    stale = true;
    body.classList.add('stale');
    const since = heardAt ? 'No connection since ' + clock(heardAt) : 'No connection';
    at('link').textContent = why || since + '. Trying again …';
    show();
  };
  const alive = () => {
    heard = now();
    heardAt = new Date();
    tries = 0;
    if (!stale) return;
    stale = false;
    body.classList.remove('stale');
    at('link').textContent = 'connected';
  };
  const close = () => { if (source) source.close(); source = null; };
  const later = () => {
    clearTimeout(again);
    again = setTimeout(open, Math.min(5000, 500 * 2 ** tries++));
  };
  // What a closed stream does not tell: why.
  const ask = async () => {
    let why = '';
    try {
      const answer = await fetch(base, { cache: 'no-store', signal: AbortSignal.timeout(3000) });
      if (answer.status === 404) why = 'This link is no longer valid: scan the code again.';
      else if (answer.ok) why = 'Too many pages are open. Trying again …';
    } catch { /* then there is no connection */ }
    if (stale && !over) lostConnection(why);
  };
  const open = () => {
    if (over) return;
    close();
    heard = now();
    const own = new EventSource(base + 'events');
    source = own;
    const on = (kind, act) => own.addEventListener(kind, event => {
      if (source !== own) return;
      alive();
      act(JSON.parse(event.data));
    });
    on('state', take);
    on('news', tell);
    on('recent', all => at('news').replaceChildren(...all.reverse().map(line)));
    on('over', () => {
      over = true;
      close();
      lostConnection('The recording has ended.');
    });
    own.onerror = () => {
      if (source !== own) return;
      const refused = own.readyState === EventSource.CLOSED;
      close();
      lostConnection();
      if (refused) ask();
      later();
    };
  };
  const back = () => {
    if (document.visibilityState === 'visible' && !over && (stale || now() - heard > 2)) {
      tries = 0;
      open();
    }
  };
  addEventListener('online', back);
  addEventListener('offline', () => { if (!over) { close(); lostConnection(); later(); } });
  document.addEventListener('visibilitychange', back);
  setInterval(() => {
    if (!over && source && now() - heard > DEAF) {
      close();
      lostConnection();
      later();
    }
  }, 500);
  // Lengths of silence go on between two states.
  setInterval(() => { if (!stale) show(); }, 100);
  open();

  // Marks.
  const noted = (text, kind) => { at('noted').textContent = text; at('noted').className = kind; };
  const mark = async text => {
    noted('…', '');
    try {
      const answer = await fetch(base + 'mark', {
        method: 'POST', body: text, cache: 'no-store', signal: AbortSignal.timeout(4000),
      });
      if (!answer.ok) { noted('Not noted: ' + await answer.text(), 'bad'); return false; }
      noted('Noted at ' + clock(new Date()) + ': ' + text, 'good');
      return true;
    } catch {
      noted('Not noted: no connection', 'bad');
      return false;
    }
  };
  for (let number = 1; number <= 6; number++) {
    const own = make('button', '', String(number));
    own.type = 'button';
    own.setAttribute('aria-label', 'mark ' + number);
    own.addEventListener('click', () => mark(String(number)));
    document.querySelector('.numbers').append(own);
  }
  at('marks').addEventListener('submit', async event => {
    event.preventDefault();
    const text = at('text').value.trim();
    if (text && await mark(text)) at('text').value = '';
  });
})();
