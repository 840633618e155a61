"use strict";
(() => {
  const one = (selector, root = document) => root.querySelector(selector);
  const all = (selector, root = document) => [...root.querySelectorAll(selector)];
  const root = document.documentElement;
  root.classList.add("js");
  const parsed = new Promise((done) => {
    if (document.readyState === "loading") addEventListener("DOMContentLoaded", done, { once: true });
    else done();
  });

  // ---- packed data -----------------------------------------------------------------------------------------------
  const unpack = (text) => {
    const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
    return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"))).text();
  };
  const numbers = ({ k, v }) => {
    const scale = 10 ** k;
    let sum = 0;
    return v.map((step) => (step === null ? null : (sum += step) / scale));
  };
  const stamp = (seconds) => new Date(seconds * 1000).toISOString().slice(0, 19);
  const days = (x) => {
    const out = [];
    if (x.d) {
      let day = x.a;
      out.push(day);
      for (const step of x.d) out.push((day += step));
    } else for (let i = 0; i < x.n; i++) out.push(x.a + i * x.s);
    return out.map((day) => new Date(day * 86400000).toISOString().slice(0, 10));
  };

  let library;
  const chartLibrary = () => {
    library ??= parsed
      .then(() => unpack(one("#library").textContent))
      .then((text) => {
        // The library looks for a style element of its own by name before it adds one that the policy forbids.
        for (const [, name] of text.matchAll(/getElementById\("([0-9a-f]{40,})"\)/g)) {
          const found = document.createElement("meta");
          found.id = name;
          document.head.append(found);
        }
        const element = document.createElement("script");
        element.textContent = text;
        document.head.append(element);
        element.textContent = "";
        return window.Plotly;
      });
    return library;
  };

  // ---- drawing ---------------------------------------------------------------------------------------------------
  const palette = () => {
    const style = getComputedStyle(root);
    const names = ["ink", "ink2", "paper", "sheet", "rule", "line", "fit", "band", "limit", "fan", "lost", "shared", "grid",
      "lamp", "F", "C", "S", "M", "N", "onS"];
    return Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
  };
  const options = { displayModeBar: false, responsive: false, doubleClick: "reset", showTips: false };
  const layout = (c, height, more) => ({
    height,
    margin: { l: 50, r: 12, t: 8, b: 24 },
    paper_bgcolor: "rgba(0,0,0,0)",
    plot_bgcolor: "rgba(0,0,0,0)",
    font: { family: getComputedStyle(document.body).fontFamily, size: 12, color: c.ink2 },
    hoverlabel: { bgcolor: c.sheet, bordercolor: c.rule, font: { color: c.ink, size: 12 } },
    showlegend: false,
    hovermode: "x unified",
    dragmode: matchMedia("(pointer: coarse)").matches ? false : "zoom",
    ...more,
  });
  const axisX = (c, more) => ({
    type: "date", gridcolor: c.grid, linecolor: c.rule, zeroline: false, ticks: "outside", tickcolor: c.rule, ticklen: 4,
    hoverformat: "%-d %b %Y", nticks: 9, ...more,
  });
  const axisY = (c, more) => ({
    gridcolor: c.grid, zeroline: false, fixedrange: true, nticks: 5, automargin: false, tickformat: "~g", ...more,
  });
  const flat = (x, value, name, c, dash = "dash") => ({
    x, y: x.map(() => value), name, mode: "lines", line: { color: c.limit, width: 1.3, dash }, hovertemplate: "%{y}",
  });
  const label = (value, text, c) => ({
    xref: "paper", x: 0.004, xanchor: "left", yref: "y", y: value, yanchor: "bottom", text, showarrow: false, font: { size: 11, color: c.limit },
  });
  const line = (x, y, name, color, width = 1.3, more = {}) => ({
    x, y, name, mode: "lines", line: { color, width }, hovertemplate: "%{y}", connectgaps: false, ...more,
  });
  const dots = (x, y, name, color, more = {}) => ({
    x, y, name, mode: "markers", marker: { color, size: x.length > 90 ? 3 : 5 }, hovertemplate: "%{y}", ...more,
  });
  const band = (x, low, high, c, color) => [
    { x, y: low, mode: "lines", line: { width: 0 }, name: "lowest", hovertemplate: "%{y}" },
    { x, y: high, mode: "lines", line: { width: 0 }, fill: "tonexty", fillcolor: color, name: "highest", hovertemplate: "%{y}" },
  ];

  const draw = {
    reading(d, c) {
      const x = days(d.reading.x);
      return {
        traces: [
          ...band(x, numbers(d.reading.low), numbers(d.reading.high), c, c.band),
          line(x, numbers(d.reading.mid), "median", c.line),
        ],
        shapes: d.stuck.map(([from, to]) => span(from, to, c.lamp, 0.16)),
      };
    },
    zero(d, c) {
      const x = numbers(d.zero.t).map(stamp);
      const traces = [dots(x, numbers(d.zero.error), "zero error", c.line, { marker: { color: c.line, size: 5 } })];
      if (d.zero.fit) traces.push(line(x, numbers(d.zero.fit), "trend", c.fit, 2));
      const ends = d.span.map(stamp);
      if (d.zero.tolerance) traces.push(flat(ends, d.zero.tolerance, "tolerance", c), flat(ends, -d.zero.tolerance, "tolerance", c));
      return { traces, labels: d.zero.tolerance ? [label(d.zero.tolerance, "tolerance", c)] : [] };
    },
    radio(d, c) {
      const x = days(d.radio.x);
      const traces = [];
      if (d.radio.p10) traces.push(line(x, numbers(d.radio.p10), "lowest tenth", c.band, 1));
      traces.push(dots(x, numbers(d.radio.level), d.radio.adjusted ? "median, season out" : "median", c.line));
      if (d.radio.fit) traces.push(line(x, numbers(d.radio.fit), "trend", c.fit, 2));
      const ends = d.span.map(stamp);
      const labels = [];
      if (d.radio.floor !== null) {
        traces.push(flat(ends, d.radio.floor, "sensitivity", c, "solid"));
        labels.push(label(d.radio.floor, "sensitivity", c));
        if (d.radio.least !== null) {
          traces.push(flat(ends, d.radio.floor + d.radio.least, "least margin", c));
          labels.push(label(d.radio.floor + d.radio.least, "least margin", c));
        }
      }
      return { traces, labels };
    },
    battery(d, c) {
      const x = days(d.battery.x);
      const traces = [dots(x, numbers(d.battery.volts), d.battery.adjusted ? "voltage, temperature out" : "voltage", c.line)];
      if (d.battery.fan) {
        const f = days(d.battery.fan.x);
        traces.push(
          { x: f, y: numbers(d.battery.fan.p10), mode: "lines", line: { width: 0.8, color: c.fan }, name: "P10", hovertemplate: "%{y}" },
          { x: f, y: numbers(d.battery.fan.p90), mode: "lines", line: { width: 0.8, color: c.fan }, fill: "tonexty", fillcolor: c.fan + "66", name: "P90", hovertemplate: "%{y}" },
          line(f, numbers(d.battery.fan.p50), "P50", c.fit, 2),
        );
      }
      if (d.battery.cutoff !== null) traces.push(flat([stamp(d.span[0]), stamp(horizon(d))], d.battery.cutoff, "cut-off", c));
      return {
        traces,
        shapes: d.battery.lives.slice(1).map((at) => upright(at, c.fit, "dot")),
        labels: d.battery.cutoff === null ? [] : [label(d.battery.cutoff, "cut-off", c)],
      };
    },
    arrivals(d, c) {
      const x = days(d.arrivals.x);
      const expected = numbers(d.arrivals.expected), received = numbers(d.arrivals.received), outage = numbers(d.arrivals.outage);
      const own = expected.map((e, i) => Math.max(0, (e ?? 0) - (received[i] ?? 0) - (outage[i] ?? 0)));
      const bar = (y, name, color) => ({
        x, y, name, type: "bar", offset: 0, width: d.step * 86400000, marker: { color, line: { width: 0 } }, hovertemplate: "%{y}",
      });
      return {
        traces: [bar(own, "node or its path", c.lost), bar(outage, "shared outage", c.shared)],
        shapes: d.gaps.filter((g) => g[3] > 1).map(([from, to, cause]) => ({
          ...span(from, to, cause === "node" ? c.lost : c.shared, 0.9), y0: 0.95, y1: 1,
        })),
        layout: { barmode: "stack", bargap: 0 },
        y: { rangemode: "tozero", tickformat: "d", ...(Math.max(0, ...own, ...outage.map((n) => n ?? 0)) < 5 ? { dtick: 1 } : {}) },
      };
    },
  };
  const span = (from, to, color, opacity) => ({
    type: "rect", xref: "x", yref: "paper", x0: stamp(from), x1: stamp(to), y0: 0, y1: 1, fillcolor: color, opacity,
    line: { width: 0 }, layer: "below",
  });
  const upright = (at, color, dash, width = 1.2) => ({
    type: "line", xref: "x", yref: "paper", x0: stamp(at), x1: stamp(at), y0: 0, y1: 1, line: { color, width, dash }, layer: "below",
  });
  const horizon = (d) => {
    const [start, now] = d.span;
    const record = now - start, end = d.battery && d.battery.eol.length ? d.battery.eol : [null, null, null];
    const ahead = end[0] !== null && end[0] - now < 0.4 * record ? Math.min(end[2] ?? end[0], now + 0.4 * record) : now;
    return Math.max(now, ahead) + 0.02 * record;
  };
  const CHECKS = { reading: ["stuck", "data"], zero: ["zero"], radio: ["radio"], battery: ["battery"], arrivals: ["arrivals", "outage"] };

  const nodeFigure = (key, d, c) => {
    const { traces, shapes = [], labels = [], layout: extra = {}, y = {} } = draw[key](d, c);
    const marks = d.marks.filter((m) => CHECKS[key].includes(m[2]));
    const lines = marks.map((m) => upright(m[0], m[3] === "info" ? c.N : c[m[3]], "dash", 1.4));
    const over = { yaxis: "y2", mode: "markers+text", hovertemplate: "%{hovertext}", textposition: "middle center" };
    if (marks.length) traces.push({
      ...over, name: "finding", x: marks.map((m) => stamp(m[0])), y: marks.map(() => 0.92), hovertext: marks.map((m) => m[4].slice(0, 160)),
      text: marks.map((m) => (m[3] === "info" ? "i" : m[3])),
      textfont: { size: 10, color: marks.map((m) => (m[3] === "S" || m[3] === "C" ? c.onS : m[3] === "info" ? c.sheet : "#fff")) },
      marker: { size: 15, symbol: marks.map((m) => ({ F: "circle", C: "triangle-down", S: "diamond", M: "square" })[m[3]] ?? "circle"),
        color: marks.map((m) => (m[3] === "info" ? c.N : c[m[3]])) },
    });
    if (d.work.length) traces.push({
      ...over, mode: "markers", name: "work log", x: d.work.map((w) => stamp(w[0])), y: d.work.map(() => 0.04), hovertext: d.work.map((w) => w[1].slice(0, 120)),
      marker: { size: 9, symbol: "triangle-up", color: c.fit, line: { width: 1, color: c.paper } },
    });
    return {
      data: traces,
      layout: layout(c, key === "arrivals" ? 130 : 168, {
        xaxis: axisX(c, { range: [stamp(d.span[0]), stamp(horizon(d))] }),
        yaxis: axisY(c, y),
        yaxis2: { overlaying: "y", range: [0, 1], visible: false, fixedrange: true },
        annotations: labels,
        shapes: [...shapes, ...lines, upright(d.span[1], c.ink2, "solid", 0.8)],
        ...extra,
      }),
    };
  };

  const moving = (d, c) => {
    const x = d.t.map(stamp);
    return {
      data: [...band(x, d.low, d.high, c, c.band), line(x, d.line, "fleet", c.line, 1.8)],
      layout: layout(c, 230, { xaxis: axisX(c, { nticks: 6, fixedrange: true }), yaxis: axisY(c) }),
    };
  };
  const panels = {
    batteries: (d, c, width) => ({
      data: [{
        type: "bar", x: d.x, y: d.expected, marker: { color: c.fit }, name: "expected", hovertemplate: "%{y:.1f}",
        error_y: { type: "data", symmetric: false, array: d.high.map((h, i) => Math.max(0, h - d.expected[i])),
          arrayminus: d.low.map((l, i) => Math.max(0, d.expected[i] - l)), color: c.ink2, thickness: 1.1, width: 3 },
      }],
      layout: layout(c, 260, { bargap: 0.45, xaxis: { type: "category", tickvals: d.x.filter((_, i) => i % Math.ceil(d.x.length / Math.max(2, Math.floor(width / 76))) === 0), linecolor: c.rule, fixedrange: true, tickangle: 0, automargin: true },
        yaxis: axisY(c, { rangemode: "tozero" }) }),
    }),
    gateways: (d, c) => {
      const places = d.names.map((_, i) => i);
      const jitter = (i, k) => i + 0.28 * (((k * 7) % 11) / 10 - 0.5);
      return {
        data: [
          { type: "scatter", mode: "markers", x: d.nodes.map((n) => n[2]), y: d.nodes.map((n, k) => jitter(n[1], k)), text: d.nodes.map((n) => n[0]),
            hovertemplate: "%{text}: %{x} %<extra></extra>", marker: { size: 7, color: c.shared, opacity: 0.85, line: { width: 0.5, color: c.paper } } },
          { type: "scatter", mode: "markers", x: d.whole, y: places, text: d.names, hovertemplate: "%{text}: %{x} % in all<extra></extra>",
            marker: { size: 22, symbol: "line-ns", line: { width: 3, color: c.lost } } },
        ],
        layout: layout(c, Math.max(260, 28 * d.names.length + 60), { hovermode: "closest", margin: { l: 50, r: 16, t: 8, b: 30 },
          xaxis: { gridcolor: c.grid, linecolor: c.rule, zeroline: false, fixedrange: true, ticksuffix: " %" },
          yaxis: { tickvals: places, ticktext: d.names.map((n) => (n.length > 18 ? `${n.slice(0, 17)}…` : n)), autorange: "reversed", automargin: true, zeroline: false, showgrid: false, fixedrange: true } }),
      };
    },
    delivery: moving, margin: moving, headroom: moving,
  };

  // ---- node sections ---------------------------------------------------------------------------------------------
  const drawn = new Map(); // plot element -> function that returns its figure
  const plot = async (element, figure) => {
    const Plotly = await chartLibrary();
    drawn.set(element, figure);
    const { data, layout } = figure(palette(), element.clientWidth);
    await Plotly.react(element, data, { ...layout, width: element.clientWidth }, options);
    element.parentElement.classList.add("drawn");
    element.classList.add("drawn");
  };
  const rangeOf = (element) => element._fullLayout.xaxis.range.map((end) => String(end));
  const link = (elements) => {
    // Drawing answers later with an event of its own, so only a chart that shows another range is moved.
    for (const element of elements) element.on("plotly_relayout", () => {
      const range = rangeOf(element);
      for (const other of elements) {
        if (other !== element && rangeOf(other).some((end, i) => end !== range[i])) window.Plotly.relayout(other, { "xaxis.range": range });
      }
    });
  };
  const DAY = 86400;
  const ranges = (section, elements, data) => {
    const [start, now] = data.span, ahead = horizon(data);
    const choices = [["all", start], ["1 year", now - 365 * DAY], ["90 days", now - 90 * DAY], ["14 days", now - 14 * DAY]]
      .filter(([, from], i) => i === 0 || from > start);
    if (choices.length < 2 || !elements.length) return;
    const group = document.createElement("div");
    group.className = "range";
    group.setAttribute("role", "group");
    group.setAttribute("aria-label", "Time shown in the charts of this node");
    group.append("Show");
    for (const [name, from] of choices) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = name;
      button.setAttribute("aria-pressed", String(name === "all"));
      button.addEventListener("click", () => {
        for (const other of all("button", group)) other.setAttribute("aria-pressed", String(other === button));
        const end = name === "all" ? ahead : Math.min(ahead, now + 0.3 * (now - from));
        for (const element of elements) window.Plotly.relayout(element, { "xaxis.range": [stamp(from), stamp(end)], "yaxis.autorange": true });
      });
      group.append(button);
    }
    one(".charts", section).prepend(group);
  };
  const open = async (section) => {
    if (section.dataset.state) return;
    const source = one(".data", section);
    section.dataset.state = source ? "drawing" : "drawn";
    if (!source) return;
    const data = JSON.parse(await unpack(source.textContent));
    const elements = [];
    for (const figure of all("figure[data-chart]", section)) {
      const key = figure.dataset.chart;
      if (!data[key]) continue;
      const element = one(".plot", figure);
      await plot(element, (c) => nodeFigure(key, data, c));
      elements.push(element);
    }
    link(elements);
    ranges(section, elements, data);
    section.dataset.state = "drawn";
  };
  addEventListener("toggle", (event) => {
    if (event.target.matches?.("details.node") && event.target.open && !opened.includes(event.target)) open(event.target);
  }, true);
  const follow = () => {
    const target = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (target && target.matches("details.node")) {
      target.open = true;
      target.scrollIntoView({ block: "start" });
      one("summary", target).focus({ preventScroll: true });
    }
  };
  addEventListener("hashchange", follow);
  addEventListener("click", (event) => {
    const anchor = event.target.closest?.("a[href^='#']");
    if (anchor && anchor.getAttribute("href") === location.hash) follow();
  });

  const redraw = () => {
    for (const [element, figure] of drawn) {
      const { data, layout } = figure(palette(), element.clientWidth);
      if (layout.xaxis.range) layout.xaxis.range = rangeOf(element);
      window.Plotly.react(element, data, { ...layout, width: element.clientWidth }, options);
    }
  };
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
  let resizing;
  addEventListener("resize", () => {
    clearTimeout(resizing);
    resizing = setTimeout(redraw, 150);
  });
  let opened = [];
  const toPaper = () => {
    if (root.classList.contains("printing")) return;
    root.classList.add("printing");
    opened = all("details.node[data-week]:not([open])");
    for (const section of opened) section.open = true;
    redraw();
  };
  const toScreen = () => {
    root.classList.remove("printing");
    for (const section of opened.splice(0)) section.open = false;
    redraw();
  };
  addEventListener("beforeprint", toPaper);
  addEventListener("afterprint", toScreen);
  // Some ways to paper tell the style alone.
  matchMedia("print").addEventListener("change", (event) => (event.matches ? toPaper() : toScreen()));

  // ---- node table ------------------------------------------------------------------------------------------------
  const FIRST_ROWS = 60;
  const table = () => {
    const body = one("#node-table tbody");
    if (!body) return;
    const rows = [...body.rows].map((tr, place) => ({
      tr, place, keys: tr.dataset.k.split("|").map((k) => (k === "" ? null : Number(k))),
      cells: [...tr.cells].map((cell) => cell.textContent), text: tr.textContent.toLowerCase(),
    }));
    const collate = new Intl.Collator("en", { numeric: true, sensitivity: "base" }).compare;
    const form = one(".filters"), more = one("#all-rows"), shown = one("#shown");
    const value = (id) => one(id)?.value ?? "";
    let everything = false;
    const apply = () => {
      const words = value("#q").toLowerCase().split(/\s+/).filter(Boolean);
      const signal = value("#f-s"), site = value("#f-site"), gateway = value("#f-gw"), due = value("#f-w");
      let found = 0;
      for (const row of rows) {
        const s = row.tr.dataset.s;
        const fits = words.every((word) => row.text.includes(word)) &&
          (!signal || (signal === "!" ? "FCSM".includes(s) : s === signal)) &&
          (!site || row.cells[3] === site) && (!gateway || row.cells[4] === gateway) && (!due || row.tr.dataset.w === due);
        if (fits) found++;
        row.tr.hidden = !fits || (!everything && found > FIRST_ROWS);
      }
      const visible = everything ? found : Math.min(found, FIRST_ROWS);
      shown.textContent = found === rows.length ? `${rows.length} nodes` : `${found} of ${rows.length} nodes`;
      more.hidden = visible === found;
      more.textContent = `Show all ${found}`;
    };
    const sort = (th) => {
      const up = th.getAttribute("aria-sort") !== "ascending";
      for (const other of all("th[aria-sort]", th.parentElement)) other.removeAttribute("aria-sort");
      th.setAttribute("aria-sort", up ? "ascending" : "descending");
      const index = Number(th.dataset.sort), sign = up ? 1 : -1;
      const of = th.dataset.kind === "key" ? (row) => row.keys[index] : (row) => row.cells[index] || null;
      const compare = th.dataset.kind === "key" ? (a, b) => a - b : collate;
      rows.sort((a, b) => {
        const x = of(a), y = of(b);
        if (x === null || y === null) return (x === null) - (y === null) || a.place - b.place;
        return sign * compare(x, y) || a.place - b.place;
      });
      body.append(...rows.map((row) => row.tr));
      apply();
    };
    for (const th of all("#node-table th[data-sort]")) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = th.textContent;
      th.replaceChildren(button);
      button.addEventListener("click", () => sort(th));
    }
    one("#node-table th[data-sort]").setAttribute("aria-sort", "ascending");
    form.hidden = false;
    form.addEventListener("input", apply);
    form.addEventListener("submit", (event) => event.preventDefault());
    form.addEventListener("reset", () => setTimeout(apply));
    more.addEventListener("click", () => {
      everything = true;
      apply();
    });
    for (const anchor of all("[data-filter]")) anchor.addEventListener("click", () => {
      form.reset();
      one("#f-s").value = anchor.dataset.filter;
      apply();
    });
    apply();
  };

  const disclosures = () => {
    for (const button of all("[data-more]")) {
      button.hidden = false;
      button.addEventListener("click", () => {
        const extras = all(".extra", document.getElementById(button.dataset.more));
        for (const extra of extras) extra.classList.add("show");
        extras[0]?.querySelector("a")?.focus();
        button.hidden = true;
      });
    }
  };

  // An open frame keeps the load event waiting, so that whoever prints or takes a picture at load gets the charts too.
  const holding = async (work) => {
    const frame = document.createElement("iframe");
    frame.hidden = true;
    document.body.append(frame);
    frame.contentDocument.open();
    const release = setTimeout(() => frame.remove(), 10000);
    try {
      await work();
    } finally {
      clearTimeout(release);
      frame.remove();
    }
  };
  const fleet = async () => {
    const figures = all("figure[data-panel]");
    if (!figures.length) return;
    const data = JSON.parse(await unpack(one("#fleet-data").textContent));
    for (const figure of figures) {
      const key = figure.dataset.panel;
      if (data[key]) await plot(one(".plot", figure), (c, width) => panels[key](data[key], c, width));
    }
    root.dataset.fleet = "drawn";
  };

  const later = window.requestIdleCallback ?? ((work) => setTimeout(work, 50));
  parsed.then(() => {
    table();
    disclosures();
    follow();
    holding(() => new Promise((done, failed) => later(() => fleet().then(done, failed), { timeout: 400 })));
  });
})();
