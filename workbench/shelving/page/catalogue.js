"use strict";
// The catalogue's page: sorts and searches its rows; the language of questions is that of shelving/searching.py.
(() => {
  const { columns, compared, rows } = JSON.parse(document.getElementById("catalogue").textContent);
  const songs = rows.map((row) => Object.fromEntries(columns.map((name, k) => [name, row[k]])));
  const AT_ONCE = 50;
  const minutes = (s) => (s === null ? "" : `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`);
  const shown = [
    ["Song", "song"], ["Length", "length_s", minutes], ["Bars", "bars"], ["Tempo", "tempo_bpm"], ["Meter", "meters"],
    ["Feel", "feel"], ["Form", "form"], ["Grooves", "grooves"], ["Fills", "fills"], ["Hardness", "hardness"],
    ["Doubts", "doubts"], ["Draft", "quality"], ["State", "state"], ["Open", "chart"],
  ];
  const signs = { "<": (a, b) => a < b, "<=": (a, b) => a <= b, ">": (a, b) => a > b, ">=": (a, b) => a >= b, "=": (a, b) => a === b };

  function term(quoted, word) {
    if (quoted !== undefined) {
      const stroke = /^(.+) on (?:the )?(.+)$/.exec(quoted);
      return (song) => song.text.includes(quoted) || (stroke !== null && (song.strokes[stroke[1]] || []).includes(stroke[2]));
    }
    const asked = /^([a-z_]+)(<=|>=|<|>|=)(.+)$/.exec(word);
    if (asked === null) return (song) => song.text.includes(word);
    const column = Object.hasOwn(compared, asked[1]) ? compared[asked[1]] : undefined;
    const number = Number(asked[3]);
    if (column === undefined || Number.isNaN(number)) {
      throw new Error(`“${word}” cannot be asked: compare ${Object.keys(compared).join(", ")} with a number.`);
    }
    return (song) => song[column] !== null && signs[asked[2]](song[column], number);
  }

  function find(question) {
    const tests = [...question.toLowerCase().matchAll(/"([^"]*)"|(\S+)/g)]
      .map(([, quoted, word]) => [quoted === undefined ? undefined : quoted.trim(), word])
      .filter(([quoted, word]) => quoted || word)
      .map(([quoted, word]) => term(quoted, word));
    return songs.filter((song) => tests.every((test) => test(song)));
  }

  let order = ["song", 1];
  let found = songs;
  const body = document.querySelector("tbody");
  const more = document.getElementById("more");

  function cell(song, [, name, words]) {
    const td = document.createElement("td");
    const value = song[name];
    if (name === "chart") return links(td, song);
    td.textContent = words ? words(value) : (value ?? "");
    if (typeof value === "number") td.className = "number";
    if (name === "song") td.className = "song";
    if (name === "form" || name === "grooves") td.className = "long";
    if (name === "state") td.className = `state ${value.split(" ")[0]}`;
    if (name === "song" && song.artist) td.append(Object.assign(document.createElement("small"), { textContent: song.artist }));
    if (name === "quality" && song.sound) td.append(Object.assign(document.createElement("small"), { textContent: song.sound }));
    if (name === "quality" && song.corrections !== null) td.title = `about ${song.corrections.toFixed(1)} corrections a bar`;
    return td;
  }

  function links(td, song) {
    for (const what of ["chart", "score", "pack", "reading", "lesson", "check"]) {
      if (!song[what]) continue;
      const path = song[what].split("/").map(encodeURIComponent).join("/");
      td.append(Object.assign(document.createElement("a"), { textContent: what, href: `./${path}` }));
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
      return way * (typeof x === "number" ? x - y : x < y ? -1 : x > y ? 1 : 0);
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
    document.querySelector("thead tr").append(th);
  }
  document.getElementById("question").addEventListener("input", ask);
  document.querySelector("form").addEventListener("submit", (event) => event.preventDefault());
  more.addEventListener("click", () => draw(body.children.length));
  sort();
  ask();
})();
