"use strict";
// The catalogue's page: sorts and searches its rows; the language of questions is that of shelving/searching.py.
(() => {
  const { columns, compared, small, mostTold, difficulties, difficultyScale, rows } = JSON.parse(document.getElementById("catalogue").textContent);
  const songs = rows.map((row) => Object.fromEntries(columns.map((name, k) => [name, row[k]])));
  const struck = new Set(songs.flatMap((song) => Object.keys(song.strokes)));
  const AT_ONCE = 50;
  const byName = new Intl.Collator("en", { numeric: true });
  const minutes = (s) => (s === null ? "" : `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`);
  const shown = [
    ["Song", "song"], ["Length", "length_s", minutes], ["Bars", "bars"], ["Tempo", "tempo_bpm"], ["Meter", "meters"],
    ["Feel", "feel"], ["Form", "form"], ["Grooves", "grooves"], ["Fills", "fills"], ["Difficulty", "difficulty"],
    ["Doubts", "doubts"], ["Draft", "quality"], ["State", "state"], ["Open", "chart"],
  ];
  const signs = { "<": (a, b) => a < b, "<=": (a, b) => a <= b, ">": (a, b) => a > b, ">=": (a, b) => a >= b, "=": (a, b) => a === b };

  const STROKE = /^(?:an? )?(.+) on (?:the )?(.+)$/;
  const COMPARISON = /^([a-z_]+)(<=|>=|<|>|=)(.+)$/;
  const holds = (text, word) => text.includes(word) || (word.length > 3 && word.endsWith("s") && text.includes(word.slice(0, -1)));

  function term(quoted, word) {
    if (quoted !== undefined) {
      const stroke = STROKE.exec(quoted);
      const names = stroke === null ? [] : [...struck].filter((name) => holds(name, stroke[1]));
      return (song) => names.some((name) => song.strokes[name]?.includes(stroke[2])) || holds(song.text, quoted);
    }
    const asked = COMPARISON.exec(word);
    if (asked === null) return (song) => holds(song.text, word);
    const column = Object.hasOwn(compared, asked[1]) ? compared[asked[1]] : undefined;
    const number = Number(asked[3]);
    if (column === undefined || Number.isNaN(number)) {
      throw new Error(`“${word}” is nothing to search by: compare ${Object.keys(compared).join(", ")} with a number, such as tempo<100.`);
    }
    return (song) => song[column] !== null && signs[asked[2]](song[column], number);
  }

  const terms = (question) => [...question.toLowerCase().matchAll(/"([^"]*)"|(\S+)/g)]
    .map(([, quoted, word]) => [quoted === undefined ? undefined : quoted.trim(), word])
    .filter(([quoted, word]) => quoted || word);

  function find(question) {
    const tests = terms(question).map(([quoted, word]) => term(quoted, word));
    return songs.filter((song) => tests.every((test) => test(song)));
  }

  function likeness(a, b) {
    const pairs = (w) => new Set(Array.from({ length: w.length + 1 }, (_, k) => ` ${w} `.slice(k, k + 2)));
    const [ofA, ofB] = [pairs(a), pairs(b)];
    return 2 * [...ofA].filter((pair) => ofB.has(pair)).length / (ofA.size + ofB.size);
  }

  let known = null; // words and how many songs have them
  function unknownWords(question) {
    const asked = terms(question).filter(([, word]) => !COMPARISON.test(word ?? ""))
      .flatMap(([quoted, word]) => (quoted === undefined ? word : (STROKE.exec(quoted)?.[1] ?? quoted)).split(/\s+/));
    const unknown = asked.find((word) => !songs.some((song) => holds(song.text, word)));
    if (unknown === undefined || !songs.length) return "";
    if (known === null) {
      known = new Map();
      for (const song of songs) {
        for (const word of new Set(song.text.match(/[\p{L}\p{N}_'-]*[\p{L}_][\p{L}\p{N}_'-]*/gu))) {
          if (word.length > 2 && !small.includes(word)) known.set(word, (known.get(word) ?? 0) + 1);
        }
      }
    }
    const told = [...known].map(([word, count]) => [word, count, likeness(word, unknown)])
      .sort((a, b) => b[2] - a[2] || b[1] - a[1] || (a[0] < b[0] ? -1 : 1)).slice(0, mostTold).map(([word]) => word);
    return `No song here has “${unknown}”; nearest are: ${told.join(", ")}.`;
  }

  function unknownNumbers(question) {
    const tests = terms(question).map(([quoted, word]) => [COMPARISON.exec(word ?? "")?.[1], term(quoted, word)]);
    const lacks = (song, name) => name !== undefined && song[compared[name]] === null;
    const out = songs.filter((song) => tests.some(([name]) => lacks(song, name))
      && tests.every(([name, test]) => lacks(song, name) || test(song)));
    if (!out.length) return "";
    const names = out.map((song) => song.song);
    const lacking = out.flatMap((song) => tests.map(([name]) => name).filter((name) => lacks(song, name)));
    const numbers = [...new Set(lacking)].join(" or ");
    const more = names.length > mostTold ? ` and ${names.length - mostTold} more` : "";
    return `Left out, because no ${numbers} is known of ${names.length === 1 ? "it" : "them"}: ${names.slice(0, mostTold).join(", ")}${more}.`;
  }

  let order = ["song", 1];
  let found = songs;
  const body = document.querySelector("tbody");
  const more = document.getElementById("more");

  function cell(song, [title, name, words]) {
    const td = document.createElement("td");
    td.dataset.title = title;
    const value = song[name];
    if (name === "chart") return links(td, song);
    td.textContent = words ? words(value) : (value ?? "");
    if (typeof value === "number") td.className = "number";
    if (name === "song") td.className = "song";
    if (name === "form" || name === "grooves") {
      td.className = "long";
      td.title = value; // a narrow column shows its beginning
      td.replaceChildren(...(value ? [Object.assign(document.createElement("div"), { textContent: value })] : []));
    }
    if (name === "state") td.className = `state ${value.split(" ")[0]}`;
    const under = {
      song: song.artist,
      length_s: song.sound,
      difficulty: difficulties[song.difficulty ?? 0],
      quality: song.corrections === null ? "" : `≈ ${song.corrections.toFixed(1)} errors a bar`,
    }[name];
    if (under) td.append(Object.assign(document.createElement("small"), { textContent: under }));
    return td;
  }

  function links(td, song) {
    td.className = "open";
    for (const what of ["chart", "score", "pack", "reading", "lesson", "check"]) {
      if (!song[what]) continue;
      const path = song[what].split("/").map(encodeURIComponent).join("/");
      td.append(Object.assign(document.createElement("a"), { textContent: what, href: `./${path}` }), " ");
    }
    return td;
  }

  function draw(from = 0) {
    const lines = found.slice(from, from + AT_ONCE).map((song) => {
      const tr = document.createElement("tr");
      tr.append(...shown.map((column) => cell(song, column)));
      return tr;
    });
    if (from) body.append(...lines);
    else body.replaceChildren(...lines);
    more.hidden = body.children.length >= found.length;
  }

  function sort() {
    const [name, way] = order;
    const none = (value) => value === null || value === "";
    songs.sort((a, b) => { // all of them, so that a search need not sort
      const [x, y] = [a[name], b[name]];
      if (none(x) || none(y)) return none(x) - none(y); // what is not known comes last either way
      return way * (typeof x === "number" ? x - y : byName.compare(x, y));
    });
    for (const th of document.querySelectorAll("th")) {
      if (th.dataset.name === name) th.setAttribute("aria-sort", way > 0 ? "ascending" : "descending");
      else th.removeAttribute("aria-sort");
    }
  }

  function ask() {
    const message = document.getElementById("message");
    message.textContent = "";
    try {
      found = find(document.getElementById("question").value);
    } catch (error) {
      message.textContent = error.message;
      return;
    }
    const { value } = document.getElementById("question");
    message.textContent = [found.length ? "" : unknownWords(value), unknownNumbers(value)].filter(Boolean).join(" ");
    document.getElementById("count").textContent = `${found.length} of ${songs.length} songs`;
    draw();
  }

  for (const [title, name] of shown) {
    const th = document.createElement("th");
    th.scope = "col";
    th.dataset.name = name;
    const button = Object.assign(document.createElement("button"), { type: "button", textContent: title });
    button.addEventListener("click", () => {
      order = [name, order[0] === name ? -order[1] : 1];
      sort();
      ask();
    });
    th.append(button);
    const scale = { difficulty: difficultyScale, quality: "as estimated" }[name];
    if (scale) th.append(Object.assign(document.createElement("small"), { textContent: scale }));
    document.querySelector("thead tr").append(th);
  }
  document.getElementById("question").addEventListener("input", ask);
  document.querySelector("form").addEventListener("submit", (event) => event.preventDefault());
  more.addEventListener("click", () => draw(body.children.length));
  sort();
  ask();
})();
