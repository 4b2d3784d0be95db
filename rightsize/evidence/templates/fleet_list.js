"use strict";
/* The list of meters: parts of the data are loaded as scripts beside the page, so that it works
   from a disk without a server. Text from data is only ever set as text. */
(() => {
  const ROWS_A_PAGE = 50;
  const CODED = ["area", "class", "verdict", "action", "installed", "recommended"];
  const NUMBERS = ["gain", "volume", "net", "odds"];
  const by = (id) => document.getElementById(id);
  let index = null, made = {}, order = [], page = 0, loaded = 0;
  let sort = { key: null, falling: true };
  const column = {}, reasons = {}, waiting = {};

  const load = (name) => new Promise((done, failed) => {
    const script = document.createElement("script");
    script.src = name;
    script.onload = done;
    script.onerror = () => failed(new Error(name));
    document.head.append(script);
  });

  window.rightsize = {
    index(content) { index = content; },
    pages(content) { if (content.sweep === index.sweep) made = content.pages; },
    part(number, columns) { waiting[number] = columns; },
    reasons(number, texts) { reasons[number] = texts; },
  };

  const take = (number) => {
    const part = waiting[number], start = number * index.rows_a_part;
    delete waiting[number];
    for (const [name, values] of Object.entries(part)) {
      const all = (column[name] ||= new Array(index.rows));
      for (let k = 0; k < values.length; k++) all[start + k] = values[k];
    }
    column.search ||= new Array(index.rows);
    for (let k = 0; k < part.account.length; k++)
      column.search[start + k] = `${part.account[k]} ${part.meter[k]} ${part.name[k]}`.toLowerCase();
    loaded = Math.max(loaded, start + part.account.length);
  };

  const need = async (parts) => {
    for (let number = Math.ceil(loaded / index.rows_a_part); number < parts; number++) {
      await load(`data/part-${String(number).padStart(4, "0")}.js`);
      take(number);
      state(`loading: ${count(loaded)} of ${count(index.rows)} meters`);
    }
  };

  const count = (value) => value.toLocaleString("en").replaceAll(",", index.parted);
  const dollars = (value) => {
    const whole = Math.round(value);
    return (whole < 0 ? "\u2212$" : "$") + count(Math.abs(whole));
  };
  const state = (text) => { by("state").textContent = text; };
  const said = (name, row) => index.values[name][column[name][row]];
  const element = (name, text, kind) => {
    const made = document.createElement(name);
    if (text !== undefined) made.textContent = text;
    if (kind) made.className = kind;
    return made;
  };

  const select = async () => {
    const all = by("scope").value === "all";
    await need(all ? index.parts : Math.max(index.flagged_parts, 1));
    const rows = all ? index.rows : index.flagged;
    const find = by("find").value.trim().toLowerCase();
    const wanted = ["verdict", "action", "class", "area"]
      .map((name) => [column[name], by(name).value])
      .filter(([, value]) => value !== "")
      .map(([codes, value]) => [codes, Number(value)]);
    order = [];
    for (let row = 0; row < rows; row++) {
      if (find && !column.search[row].includes(find)) continue;
      if (wanted.every(([codes, value]) => codes[row] === value)) order.push(row);
    }
    arrange();
    page = 0;
    show();
  };

  const arrange = () => {
    if (!sort.key) return;
    const values = column[sort.key], turn = sort.falling ? -1 : 1;
    if (sort.key === "account") {
      const words = new Intl.Collator("en", { numeric: true });
      order.sort((a, b) => turn * words.compare(values[a], values[b]) || a - b);
    } else if (NUMBERS.includes(sort.key)) {
      const none = (row) => values[row] === null;
      order.sort((a, b) =>
        none(a) || none(b) ? none(a) - none(b) || a - b : turn * (values[a] - values[b]) || a - b);
    } else {
      order.sort((a, b) => turn * (values[a] - values[b]) || a - b);
    }
  };

  const LABELS = {};
  const cell = (row, key, content, kind) => {
    const made = element("td", undefined, kind);
    made.dataset.label = LABELS[key];
    made.append(content);
    row.append(made);
    return made;
  };
  const figure = (value, text) => (value === null ? "" : text(value));
  const ranged = (line, key, row, text) => {
    const made = cell(line, key, figure(column[key][row], text), "n");
    if (column[key][row] === null) return;
    const ends = [column[`${key}_low`][row], column[`${key}_high`][row]].map(text).join(" to ");
    made.append(element("br"), element("span", ends, "quiet"));
  };
  const isolated = (text) => element("bdi", text);

  const draw = (row) => {
    const line = element("tr");
    const open = element("button", undefined, "open");
    open.type = "button";
    open.setAttribute("aria-expanded", "false");
    open.append(isolated(column.account[row]));
    open.addEventListener("click", () => unfold(row, line, open));
    const who = cell(line, "account", open, "who");
    const name = element("span", undefined, "quiet cut");
    name.append(isolated(column.name[row]));
    who.append(" ", name);
    cell(line, "class", said("class", row).replaceAll("_", " "));
    cell(line, "area", isolated(said("area", row)));
    const [sign, word] = index.verdicts[said("verdict", row)];
    const verdict = element("span", undefined, `verdict v-${said("verdict", row)}`);
    const shape = element("span", sign, "sign");
    shape.setAttribute("aria-hidden", "true");
    verdict.append(shape, word);
    cell(line, "verdict", verdict);
    cell(line, "action", index.actions[said("action", row)] + (column.settled[row] ? "" : " (new)"));
    cell(line, "installed", said("installed", row) || "");
    cell(line, "recommended", said("recommended", row) || "");
    ranged(line, "gain", row, (v) => v.toFixed(1).replace("-", "\u2212"));
    cell(line, "volume", figure(column.volume[row], count), "n");
    ranged(line, "net", row, dollars);
    cell(line, "odds", figure(column.odds[row], (v) => `${Math.round(100 * v)}\u202f%`), "n");
    return line;
  };

  const unfold = async (row, line, open) => {
    if (open.getAttribute("aria-expanded") === "true") {
      line.nextSibling.remove();
      open.setAttribute("aria-expanded", "false");
      return;
    }
    open.setAttribute("aria-expanded", "true");
    const more = element("tr", undefined, "more");
    const inside = element("td");
    inside.colSpan = 11;
    more.append(inside);
    line.after(more);
    const part = Math.floor(row / index.rows_a_part);
    try {
      if (!reasons[part]) await load(`data/reason-${String(part).padStart(4, "0")}.js`);
      inside.append(isolated(reasons[part][row % index.rows_a_part]), element("br"));
    } catch { inside.append("Could not load the reason.", element("br")); }
    inside.append("Meter ", isolated(column.meter[row]), ". ");
    const file = Object.hasOwn(made, column.account[row]) ? made[column.account[row]] : null;
    if (file) {
      const link = element("a", "Site page");
      link.href = "sites/" + encodeURIComponent(file);
      inside.append(link);
    } else {
      inside.append("To make its site page: ", element("code",
        `rightsize evidence CONFIG ${quoted(column.account[row])}`));
    }
  };

  const quoted = (text) =>
    /^[A-Za-z0-9._-]+$/.test(text) ? text : "'" + text.replaceAll("'", "'\\''") + "'";

  const show = () => {
    const pages = Math.max(1, Math.ceil(order.length / ROWS_A_PAGE));
    page = Math.min(Math.max(page, 0), pages - 1);
    const start = page * ROWS_A_PAGE;
    const rows = order.slice(start, start + ROWS_A_PAGE).map(draw);
    document.querySelector("#list tbody").replaceChildren(...rows);
    const change = order.filter((row) => said("action", row) === "change");
    const [worth, low, high] = ["net", "net_low", "net_high"].map((name) =>
      dollars(change.reduce((sum, row) => sum + (column[name][row] || 0), 0)));
    state(order.length
      ? `${count(start + 1)} to ${count(start + rows.length)} of ${count(order.length)} meters; ` +
        `${count(change.length)} change-outs among them: net benefit ${worth} per year (${low} to ${high}, sums of the range ends)`
      : "No matching meters.");
    turnable(pages);
  };

  const turnable = (pages) => {
    const button = (text, to) => {
      const made = element("button", text);
      made.type = "button";
      made.disabled = to === page || to < 0 || to >= pages;
      made.addEventListener("click", () => {
        page = to;
        show();
        by("list").scrollIntoView({ block: "start" });
        const again = [...by("pager").children].find((b) => b.textContent === text && !b.disabled);
        (again || by("pager").querySelector("button:not(:disabled)") || by("find")).focus();
      });
      return made;
    };
    by("pager").replaceChildren(
      button("first", 0), button("previous", page - 1),
      element("span", `page ${count(page + 1)} of ${count(pages)}`),
      button("next", page + 1), button("last", pages - 1));
  };

  const heads = () => {
    for (const head of document.querySelectorAll("#list th")) {
      const key = head.dataset.key, button = element("button", head.textContent);
      LABELS[key] = head.textContent;
      button.type = "button";
      button.addEventListener("click", () => {
        const falls = NUMBERS.includes(key);
        sort = { key, falling: sort.key === key ? !sort.falling : falls };
        for (const other of document.querySelectorAll("#list th")) other.removeAttribute("aria-sort");
        head.setAttribute("aria-sort", sort.falling ? "descending" : "ascending");
        arrange();
        page = 0;
        show();
      });
      head.replaceChildren(button);
    }
  };

  const choices = () => {
    const word = { verdict: (v) => index.verdicts[v][1], action: (v) => index.actions[v] };
    for (const name of ["verdict", "action", "class", "area"]) {
      index.values[name].forEach((value, code) => {
        const text = (word[name] || ((v) => v.replaceAll("_", " ")))(value);
        by(name).append(new Option(text || "(none)", code));
      });
      by(name).addEventListener("change", select);
    }
    by("scope").addEventListener("change", select);
    let pause;
    by("find").addEventListener("input", () => { clearTimeout(pause); pause = setTimeout(select, 150); });
    by("filters").addEventListener("submit", (event) => { event.preventDefault(); select(); });
  };

  const begin = async () => {
    await load("data/index.js");
    try { await load("sites/pages.js"); } catch { /* no site page has been made yet */ }
    heads();
    choices();
    if (index.flagged === 0) by("scope").value = "all";
    await select();
  };
  begin().catch((error) => state(`Could not load the list: ${error.message}`));
})();
