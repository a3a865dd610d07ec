"use strict";
(() => {
  const SILENT = 5; // seconds without an answer from which nothing counts as known
  const PATIENCE = 4000; // milliseconds that an answer may take
  const HIDDEN = 10000; // milliseconds between two questions of a page that nobody looks at
  const SVG = "http://www.w3.org/2000/svg";
  const body = document.body;
  const every = Number(body.dataset.every);
  const byId = (id) => document.getElementById(id);
  const known = new Map();
  let page = null; // what was answered last
  // What the page came with is read with the page.
  const countless = (headline) => headline.replace(/[0-9]+/g, "");
  let spoken = countless(byId("headline").textContent);
  let asking = false;
  let timer = 0;
  // Two clocks: one stands still while a phone sleeps, the other may be set.
  const clocks = () => [performance.now(), Date.now()];
  const since = (then) => Math.max(performance.now() - then[0], Date.now() - then[1]) / 1000;
  let answered = clocks();
  let owed = null; // since when a question has had no answer

  const span = (seconds) => {
    const whole = Math.floor(seconds);
    if (whole < 100) return `${whole} s`;
    if (whole < 6000) return `${Math.floor(whole / 60)} min`;
    return `${Math.floor(whole / 3600)} h ${Math.floor((whole % 3600) / 60)} min`;
  };

  const text = (id, value) => {
    const node = byId(id);
    if (node.textContent !== value) node.textContent = value;
  };

  // Every text goes in as text, never as markup: notes and titles are written by anybody.
  const made = (tag, value, name) => {
    const node = document.createElement(tag);
    if (value instanceof Array) node.append(...value);
    else node.textContent = value;
    if (name) node.className = name;
    return node;
  };

  const drawn = (tag, attributes, value) => {
    const node = document.createElementNS(SVG, tag);
    for (const name of Object.keys(attributes)) node.setAttribute(name, attributes[name]);
    if (value) node.textContent = value;
    return node;
  };

  // What has not changed stays as it is: marked text stays marked, and nothing is read twice.
  const fill = (id, items, make) => {
    const now = JSON.stringify(items);
    if (known.get(id) === now) return;
    known.set(id, now);
    byId(id).replaceChildren(...items.map(make));
  };

  const fact = (told) => {
    const more = told.more.flatMap((each) => [" ", made("span", each)]);
    return made("div", [made("dt", told.name), made("dd", [made("b", told.value), ...more])]);
  };

  const header = (value) => {
    const node = made("th", value);
    node.scope = "row";
    return node;
  };

  const bound = (told) => {
    const room = (told.close ? "CLOSE: " : "") + told.room;
    const cells = [told.value, room].map((each) => made("td", each));
    return made("tr", [header(told.name), ...cells], told.close ? "close" : "");
  };

  const happening = (told) => {
    const when = (told.day ? `${told.day} ` : "") + told.clock;
    return made("li", [made("span", when, "when"), " ", made("b", told.kind), ` ${told.text}`]);
  };

  const plot = (told) => {
    const { left, right, top, bottom } = told;
    const parts = [
      drawn("text", { class: "unit", x: 4, y: 12 }, "kN/mm"),
      drawn("text", { class: "unit end", x: right, y: told.height - 4 }, "cycles"),
    ];
    for (const tick of told.up) {
      parts.push(drawn("path", { class: "grid", d: `M${left} ${tick.at}H${right}` }));
      parts.push(drawn("text", { class: "end", x: left - 5, y: tick.at + 4 }, tick.text));
    }
    for (const tick of told.across) {
      parts.push(drawn("path", { class: "grid", d: `M${tick.at} ${top}V${bottom}` }));
      parts.push(drawn("text", { class: "middle", x: tick.at, y: bottom + 15 }, tick.text));
    }
    for (const level of told.levels) {
      const line = { class: `level ${level.name}`, d: `M${left} ${level.at}H${right}` };
      parts.push(drawn("path", line));
    }
    parts.push(drawn("path", { class: "curve", d: told.path }));
    for (const level of told.levels) {
      const named = level.name + (level.name === "baseline" ? " end" : "");
      const place = { class: named, x: level.begin, y: level.at - 4 };
      parts.push(drawn("text", place, level.text));
    }
    const svg = drawn("svg", {
      class: `plot ${told.size} ${told.axis}`,
      viewBox: `0 0 ${told.width} ${told.height}`,
      role: "img",
      "aria-label": `Curve of stiffness, ${told.axis} axis of cycles`,
      "aria-describedby": "curve-told",
    });
    svg.append(...parts);
    return svg;
  };

  const verdict = (level, loud, mark, headline, why) => {
    body.dataset.level = level;
    body.toggleAttribute("data-loud", loud);
    text("mark", mark);
    text("headline", headline);
    fill("why", why, (each) => made("li", each));
    document.title = `${headline} – ${page ? page.specimen : "nightrig"}`;
    // A count of seconds is no news: it is read once.
    const news = countless(headline);
    if (news === spoken) return;
    spoken = news;
    text("told", [headline, ...why].join(". "));
  };

  const show = () => {
    body.removeAttribute("data-silent");
    body.toggleAttribute("data-old", page.old);
    verdict(page.level, page.loud, page.mark, page.headline, page.why);
    text("specimen", page.specimen);
    text("rig", page.rig ? `on ${page.rig}` : "");
    for (const id of ["kind", "title", "clock", "data"]) text(id, page[id]);
    for (const node of document.getElementsByClassName("asof"))
      node.textContent = page.old ? `last known, ${page.as_of}` : "";
    byId("when").hidden = byId("parts").hidden = false;
    byId("share").hidden = page.share === null;
    byId("share").value = page.share || 0;
    for (const id of ["now", "load", "supplies"]) fill(id, page[id], fact);
    fill("plots", page.drawing.plots, plot);
    byId("axes").hidden = !page.drawing.plots.length;
    text("curve-told", page.drawing.told);
    byId("numbers").hidden = !page.drawing.rows.length;
    fill("rows", page.drawing.rows, (row) => made("tr", [header(row[0]), made("td", row[1])]));
    byId("limits").hidden = page.over;
    byId("armed").hidden = !page.bounds.length;
    byId("unarmed").hidden = page.bounds.length > 0;
    fill("bounds", page.bounds, bound);
    byId("amiss").hidden = !page.troubles.length;
    fill("troubles", page.troubles, (each) => made("li", each));
    fill("events", page.events, happening);
  };

  const locked = () => {
    body.removeAttribute("data-silent");
    const how = "open the whole address that nightrig printed, with all that follows its #";
    verdict("unknown", false, "?", "THIS PAGE NEEDS ITS TOKEN", [how]);
    text("specimen", "nightrig");
    for (const id of ["rig", "kind", "title"]) text(id, "");
    byId("when").hidden = byId("parts").hidden = true;
  };

  const silent = () => {
    const seconds = since(answered);
    const refused = owed !== null && since(owed) >= SILENT;
    // A page that nobody looks at asks seldom: that is no silence.
    if (seconds < SILENT || (document.hidden && !refused)) return;
    body.setAttribute("data-silent", "");
    body.setAttribute("data-old", "");
    const gone = "the rig's computer, the network, or `nightrig watch --page` is gone";
    const why = refused ? [gone] : [];
    if (page) {
      why.unshift(`what stands below is of ${page.as_of}; nobody knows what the rig does now`);
      why.push(`the last that was known: ${page.headline}`);
      for (const node of document.getElementsByClassName("asof"))
        node.textContent = `last known, ${page.as_of}`;
    }
    text("data", `of ${page ? page.as_of : "no time"}, no answer since`);
    const headline = refused ? `NO ANSWER FOR ${span(seconds)}` : "ASKING ANEW";
    verdict("unknown", false, "?", headline, why);
  };

  const ask = async () => {
    if (asking) return;
    asking = true;
    owed = owed || clocks();
    clearTimeout(timer);
    try {
      const token = location.hash.slice(1);
      const answer = await fetch("state.json", {
        cache: "no-store",
        credentials: "omit",
        headers: token ? { Authorization: `Bearer ${token}` } : {},
        redirect: "error",
        signal: AbortSignal.timeout(PATIENCE),
      });
      if (answer.status === 401) {
        page = null;
        [answered, owed] = [clocks(), null];
        locked();
      } else if (answer.ok) {
        const before = page;
        page = (await answer.json()).page;
        // What cannot be shown is no answer: what stands there is still that of before.
        try {
          show();
        } catch (error) {
          page = before;
          throw error;
        }
        [answered, owed] = [clocks(), null];
        body.dataset.asked = Number(body.dataset.asked || 0) + 1;
      }
    } catch (error) {
      // No answer is told by how long it has stayed away.
    }
    asking = false;
    timer = setTimeout(ask, document.hidden ? HIDDEN : every);
  };

  // Whoever looks again must not take old numbers for new ones, not even for a moment.
  const looked = () => {
    silent();
    ask();
  };
  document.addEventListener("visibilitychange", () => document.hidden || looked());
  window.addEventListener("pageshow", looked);
  window.addEventListener("hashchange", ask);
  setInterval(silent, 1000);
})();
