"use strict";
// Everything can be read without this script; it adds cursors, axes, zoom and changing pictures.
// Names come from measurements, so text only ever enters the page through textContent.
(() => {
  const SVG = "http://www.w3.org/2000/svg";
  const { charts: specs, marks } = JSON.parse(document.getElementById("data").textContent);
  const chosen = { axis: "pq", keys: new Set() };

  function make(parent, name, attributes, text) {
    const element = document.createElementNS(SVG, name);
    for (const key in attributes) element.setAttribute(key, attributes[key]);
    if (text !== undefined) element.textContent = text;
    parent.append(element);
    return element;
  }

  // SMPTE ST 2084, for positions on the axis only.
  const [m1, m2, c1, c2, c3] = [2610 / 16384, 2523 / 32, 3424 / 4096, 2413 / 128, 2392 / 128];
  const axes = {
    pq: {
      to: (light) => {
        const power = (Math.max(light, 0) / 1e4) ** m1;
        return ((c1 + c2 * power) / (1 + c3 * power)) ** m2;
      },
      from: (at) => {
        const root = Math.max(at, 0) ** (1 / m2);
        return 1e4 * (Math.max(root - c1, 0) / (c2 - c3 * root)) ** (1 / m1);
      },
    },
    log: { to: (light) => Math.log10(Math.max(light, 0.01)), from: (at) => 10 ** at },
    linear: { to: (light) => light, from: (at) => at },
  };

  function niceTicks(low, high, count) {
    const raw = (high - low) / count;
    const power = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= raw);
    const ticks = [];
    for (let n = Math.ceil(low / step); n * step <= high; n += 1) ticks.push(n * step);
    return ticks;
  }

  const minus = (words) => words.replace(/^-/, "−");
  const plain = (value) => minus(String(Number(value.toPrecision(6))));
  const tidy = (words) => words.replace("cd/m2", "cd/m²");
  const lightWords = (light) =>
    `${light >= 100 ? light.toFixed(0) : light >= 10 ? light.toFixed(1) : light.toPrecision(3)} cd/m²`;

  const DASHES = ["none", "7 3", "2 3", "9 3 2 3"];

  function path(points, kept) {
    let pen = "M";
    let d = "";
    points.forEach((point, n) => {
      if (point && kept(n)) {
        d += `${pen}${point[0].toFixed(1)} ${point[1].toFixed(1)}`;
        pen = "L";
      } else pen = "M";
    });
    return d;
  }

  class Chart {
    constructor(spec) {
      this.spec = spec;
      this.box = document.getElementById(spec.id);
      this.plot = this.box.querySelector(".plot");
      this.slider = this.box.querySelector(".cursor");
      this.view = spec.start;
      this.zoom = null;
      const drawn = this.plot.querySelector("svg");
      this.labels = [...drawn.querySelectorAll("title, desc")];
      this.svg = make(this.plot, "svg", {
        class: "live", role: "img", "aria-labelledby": drawn.getAttribute("aria-labelledby"),
      });
      drawn.remove();
      const ends = spec.views.flatMap((view) => view.series).filter((one) => one.key[0] === "d")
        .flatMap((one) => [one.x[0], one.x[one.x.length - 1]]);
      this.whole = spec.across === "hue" ? [0, 360] : [Math.min(...ends), Math.max(...ends)];
      this.at = spec.across === "hue" ? 105 : Math.min(203, this.whole[1]);
      this.listen();
      new ResizeObserver(() => this.draw()).observe(this.plot);
    }

    get axis() { return this.spec.across === "hue" ? axes.linear : axes[chosen.axis]; }

    /** The range of the axis that is shown, in its own units. */
    get range() {
      const full = this.whole.map(this.axis.to);
      if (!this.zoom) return full;
      return this.zoom.map((end) => Math.min(Math.max(this.axis.to(end), full[0]), full[1]));
    }

    /** Abscissas of a line on the axis in use, worked out once for each axis. */
    places(line) {
      const kind = this.spec.across === "hue" ? "linear" : chosen.axis;
      line.places ??= {};
      return (line.places[kind] ??= line.x.map(this.axis.to));
    }

    get lines() {
      return this.spec.views[this.view].series.filter((one) => chosen.keys.has(one.key));
    }

    listen() {
      const select = this.box.querySelector(".view");
      if (select) select.addEventListener("change", () => { this.view = Number(select.value); this.draw(); });
      for (const button of this.box.querySelectorAll("[data-zoom]")) {
        button.addEventListener("click", () => this.zoomBy(button.dataset.zoom));
      }
      this.slider.addEventListener("input", () => {
        const [low, high] = this.range;
        this.moveTo(this.axis.from(low + (this.slider.value / this.slider.max) * (high - low)));
      });
      this.slider.addEventListener("keydown", (event) => {
        const action = { "+": "in", "=": "in", "-": "out", 0: "whole" }[event.key];
        if (action) { event.preventDefault(); this.zoomBy(action); }
      });
      let from = null;
      this.svg.addEventListener("pointerdown", (event) => {
        if (event.pointerType === "mouse" && event.button === 0) {
          from = event.offsetX;
          this.svg.setPointerCapture(event.pointerId);
        }
        this.moveTo(this.valueAt(event.offsetX));
      });
      this.svg.addEventListener("pointermove", (event) => {
        this.moveTo(this.valueAt(event.offsetX), from);
      });
      this.svg.addEventListener("pointerup", (event) => {
        const ends = from === null ? null : [from, event.offsetX].sort((a, b) => a - b);
        from = null;
        if (ends && ends[1] - ends[0] > 12) {
          this.zoom = ends.map((x) => this.valueAt(x));
          this.draw();
        } else if (ends) this.slider.focus({ preventScroll: true });
      });
      this.svg.addEventListener("pointercancel", () => { from = null; this.draw(); });
    }

    zoomBy(action) {
      const [low, high] = this.range;
      const full = this.whole.map(this.axis.to);
      const width = (high - low) * (action === "in" ? 0.5 : 2);
      if (action === "whole" || width >= full[1] - full[0]) this.zoom = null;
      else {
        const centre = Math.min(Math.max(this.axis.to(this.at), low), high);
        const start = Math.min(Math.max(centre - width / 2, full[0]), full[1] - width);
        this.zoom = [start, start + width].map(this.axis.from);
      }
      this.draw();
    }

    valueAt(pixel) {
      const share = (pixel - this.left) / (this.width - this.left - this.right);
      const [low, high] = this.range;
      return this.axis.from(low + Math.min(Math.max(share, 0), 1) * (high - low));
    }

    across(value) { return this.pixelAt(this.axis.to(value)); }

    pixelAt(place) {
      const [low, high] = this.shown;
      return this.left + ((place - low) / (high - low)) * (this.width - this.left - this.right);
    }

    down(value) {
      const [low, high] = this.ends;
      return this.top + ((high - value) / (high - low)) * (this.height - this.top - this.bottom);
    }

    /** Lowest and highest value among the lines in the range that is shown. */
    verticalEnds() {
      const view = this.spec.views[this.view];
      const [low, high] = this.range;
      let ends = [Infinity, -Infinity];
      const take = (value) => { ends = [Math.min(ends[0], value), Math.max(ends[1], value)]; };
      for (const line of this.lines) {
        this.places(line).forEach((at, n) => {
          if (line.y[n] === null || at < low || at > high) return;
          const bound = (line.bound && line.bound[n]) || 0;
          take(line.y[n] - bound);
          take(line.y[n] + bound);
        });
      }
      if (!this.zoom) for (const [value] of view.levels) take(value);
      if (ends[0] > ends[1]) ends = [0, 1];
      const margin = 0.05 * (ends[1] - ends[0] || 1);
      return [ends[0] - margin, ends[1] + margin];
    }

    draw() {
      const view = this.spec.views[this.view];
      this.width = Math.max(this.plot.clientWidth, 240);
      this.height = this.width < 560 ? 300 : 400;
      [this.left, this.right, this.top, this.bottom] = [this.width < 560 ? 50 : 64, 26, 14, this.spec.names.length ? 62 : 50];
      this.shown = this.range;
      this.ends = this.verticalEnds();
      const svg = this.svg;
      svg.replaceChildren(...this.labels);
      svg.setAttribute("viewBox", `0 0 ${this.width} ${this.height}`);
      svg.setAttribute("width", this.width);
      svg.setAttribute("height", this.height);
      const [right, bottom] = [this.width - this.right, this.height - this.bottom];
      for (const value of niceTicks(...this.ends, this.height / 55)) {
        const y = this.down(value);
        make(svg, "path", { class: "grid", d: `M${this.left} ${y}H${right}` });
        make(svg, "text", { class: "tick", x: this.left - 8, y: y + 4, "text-anchor": "end" }, plain(value));
      }
      for (const [value, label] of this.acrossTicks()) {
        const x = this.across(value);
        make(svg, "path", { class: "grid", d: `M${x} ${this.top}V${bottom}` });
        make(svg, "text", { class: "tick", x, y: bottom + 18, "text-anchor": "middle" }, label);
      }
      for (const [value, label] of this.spec.names) {
        const x = this.across(value);
        if (x < this.left || x > right) continue;
        make(svg, "text", { class: "tick", x, y: bottom + 34, "text-anchor": "middle" }, label);
      }
      make(svg, "text", {
        class: "axis", x: (this.left + right) / 2, y: this.height - 8, "text-anchor": "middle",
      }, tidy(this.spec.label));
      make(svg, "text", {
        class: "axis", transform: `translate(14 ${(this.top + bottom) / 2}) rotate(-90)`, "text-anchor": "middle",
      }, tidy(this.width < 560 ? view.label.split(" (")[0] : view.label));
      const clip = `${this.spec.id}-inside`;
      make(make(svg, "clipPath", { id: clip }), "rect", {
        x: this.left, y: this.top, width: right - this.left, height: bottom - this.top,
      });
      const inside = make(svg, "g", { "clip-path": `url(#${clip})` });
      for (const [value, label] of view.levels) {
        const y = this.down(value);
        make(inside, "path", { class: "level", d: `M${this.left} ${y}H${right}` });
        if (label) make(inside, "text", { class: "level-name", x: right - 4, y: y - 4, "text-anchor": "end" }, label);
      }
      const order = [...this.lines].sort((a, b) => (a.key[0] === "d") - (b.key[0] === "d"));
      const standards = order.filter((line) => line.key[0] !== "d");
      standards.forEach((line, n) => this.drawStandard(inside, line, n));
      for (const line of order.slice(standards.length)) this.drawDevice(inside, line, right);
      standards.forEach((line, n) => this.nameStandard(inside, line, (n + 1) / (standards.length + 1)));
      this.cursor = make(svg, "g", {});
      this.read();
    }

    pixels(line) {
      return this.places(line).map((at, n) => (line.y[n] === null ? null : [this.pixelAt(at), this.down(line.y[n])]));
    }

    /** A thin line, dashed in a way of its own. */
    drawStandard(parent, line, number) {
      make(parent, "path", {
        class: "standard", d: path(this.pixels(line), () => true), "stroke-dasharray": DASHES[number % DASHES.length],
      });
    }

    /** The name beside its line, each at a height of its own, over all lines. */
    nameStandard(parent, line, share) {
      const points = this.pixels(line);
      const height = this.top + (1 - share) * (this.height - this.top - this.bottom);
      const spot = points.find((point) => point && point[0] > this.left && point[1] <= height);
      if (spot) {
        const flip = spot[0] > this.width / 2;
        make(parent, "text", {
          class: "standard-name", x: spot[0] + (flip ? -6 : 6), y: spot[1] + 4, "text-anchor": flip ? "end" : "start",
        }, tidy(line.name));
      }
    }

    drawDevice(parent, line, right) {
      const points = this.pixels(line);
      const clipped = new Set(line.clipped || []);
      const number = Number(line.key.slice(1)) % marks.length;
      let run = [];
      const band = () => {
        if (run.length > 1) {
          const edge = (sign) => run.map((n) => `${points[n][0].toFixed(1)},${this.down(line.y[n] + sign * line.bound[n]).toFixed(1)}`);
          make(parent, "polygon", { class: `band c${number}`, points: [...edge(1), ...edge(-1).reverse()].join(" ") });
        }
        run = [];
      };
      if (line.bound) points.forEach((point, n) => { if (point && line.bound[n] !== null) run.push(n); else band(); });
      band();
      make(parent, "path", { class: `line c${number}`, d: path(points, (n) => !clipped.has(n)) });
      if (clipped.size) {
        const edge = (n) => clipped.has(n) || clipped.has(n - 1) || clipped.has(n + 1);
        make(parent, "path", { class: `line clipped c${number}`, d: path(points, edge) });
      }
      const spacing = Math.max((right - this.left) / 7, 60);
      let next = this.left + (spacing * (number + 0.5)) / marks.length;
      for (const point of points) {
        if (point && point[0] >= next && point[0] <= right) {
          make(parent, "path", { class: `mark c${number}`, d: marks[number], transform: `translate(${point[0]} ${point[1]})` });
          next = point[0] + spacing;
        }
      }
    }

    /** Ticks of the horizontal axis: known levels of light first, others where there is room. */
    acrossTicks() {
      const [low, high] = this.range;
      if (this.spec.across === "hue" || chosen.axis === "linear") {
        const steps = this.spec.across === "hue" && !this.zoom
          ? [0, 45, 90, 135, 180, 225, 270, 315, 360] : niceTicks(low, high, this.width / 90);
        return steps.map((value) => [value, plain(value)]);
      }
      const wanted = [203, 26, 1000, 1, 100, 10, 0.1, 4000, 10000, 0.01, 0];
      for (let power = -2; power < 4; power += 1) for (const m of [2, 5, 3, 4, 7]) wanted.push(m * 10 ** power);
      const placed = [];
      for (const light of wanted) {
        const at = this.axis.to(light);
        if (at < low - 1e-9 || at > high + 1e-9 || (light < 0.01 && chosen.axis === "log")) continue;
        const x = this.across(light);
        if (placed.every(([other]) => Math.abs(this.across(other) - x) > 44)) placed.push([light, plain(light)]);
      }
      return placed;
    }

    moveTo(value, brushFrom = null) {
      this.at = value;
      this.brush = brushFrom;
      this.read();
    }

    /** Value and bound of a line where the cursor stands; null where it has none. */
    valueOf(line) {
      const at = this.axis.to(this.at);
      const places = this.places(line);
      for (let n = 1; n < places.length; n += 1) {
        const [a, b] = [places[n - 1], places[n]];
        if (a <= at && at <= b && line.y[n - 1] !== null && line.y[n] !== null) {
          const share = b > a ? (at - a) / (b - a) : 1;
          const mix = (values) => values[n - 1] + share * (values[n] - values[n - 1]);
          return { y: mix(line.y), bound: line.bound ? mix(line.bound) : null };
        }
      }
      return null;
    }

    read() {
      const view = this.spec.views[this.view];
      const [low, high] = this.range;
      const at = Math.min(Math.max(this.axis.to(this.at), low), high);
      this.at = this.axis.from(at);
      const x = this.across(this.at);
      const bottom = this.height - this.bottom;
      this.cursor.replaceChildren();
      if (this.brush !== null && this.brush !== undefined) {
        make(this.cursor, "rect", {
          class: "brush", x: Math.min(this.brush, x), y: this.top, width: Math.abs(x - this.brush), height: bottom - this.top,
        });
      }
      make(this.cursor, "path", { class: "at", d: `M${x} ${this.top}V${bottom}` });
      const rows = [];
      for (const line of this.lines) {
        const found = this.valueOf(line);
        const unit = view.unit === "°" ? "°" : view.unit ? ` ${tidy(view.unit)}` : "";
        let words = "not measured";
        if (found) {
          const bound = found.bound === null ? "" : ` ± ${found.bound.toFixed(view.digits)}`;
          words = minus(`${found.y.toFixed(view.digits)}${bound}${unit}`);
          const number = line.key[0] === "d" ? Number(line.key.slice(1)) % marks.length : null;
          const spot = { cx: x, cy: this.down(found.y), r: 3.5 };
          const seen = spot.cy >= this.top - 1 && spot.cy <= bottom + 1;
          if (seen) make(this.cursor, "circle", number === null ? { ...spot, class: "standard" } : { ...spot, class: `mark c${number}` });
        }
        rows.push([line, words]);
      }
      const place = this.spec.across === "hue" ? `${this.at.toFixed(0)}°` : lightWords(this.at);
      const table = this.box.querySelector(".reading table");
      table.caption.textContent = `At ${place}${this.spec.across === "hue" ? `, ${tidy(view.option)}` : ""}: ${tidy(view.label)}`;
      table.tBodies[0].replaceChildren(...rows.map(([line, words]) => {
        const row = document.createElement("tr");
        const head = document.createElement("th");
        head.scope = "row";
        const swatch = document.querySelector(`[data-series="${line.key}"] + .swatch`);
        if (swatch) head.append(swatch.cloneNode(true));
        head.append(tidy(line.name));
        const cell = document.createElement("td");
        cell.textContent = words;
        row.append(head, cell);
        return row;
      }));
      this.slider.value = high > low ? Math.round(((at - low) / (high - low)) * this.slider.max) : 0;
      this.slider.setAttribute("aria-valuetext", `${place}: ${rows.map(([line, words]) => `${line.name} ${words}`).join(", ")}`);
    }
  }

  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  const BY_HAND = 500; // ms between two changes at least
  const BY_ITSELF = 3000;

  class Viewer {
    constructor(place) {
      this.box = place.querySelector(".viewer");
      this.strip = [...place.querySelectorAll(".strip img")];
      this.pictures = this.strip.filter((image) => !image.classList.contains("difference"));
      this.radios = [...this.box.querySelectorAll("input[type=radio]")];
      this.map = this.box.querySelector(".map");
      this.fade = this.box.querySelector(".fade");
      this.stage = this.box.querySelector(".stage");
      this.sheet = this.box.querySelector(".sheet");
      this.index = 0;
      this.changed = -Infinity;
      this.box.classList.toggle("soft", this.box.dataset.soft === "yes");
      this.images = this.strip.map((image) => {
        const copy = image.cloneNode();
        copy.setAttribute("aria-hidden", "true");
        copy.draggable = false;
        this.sheet.append(copy);
        return copy;
      });
      this.listen();
      this.enlarge(1);
      this.show();
      this.allowMotion();
      place.querySelector(".strip").open = false;
    }

    listen() {
      this.radios.forEach((radio, n) => radio.addEventListener("change", () => { this.stop(); this.change(n); }));
      this.map.addEventListener("change", () => { this.stop(); this.change(this.index); });
      const zoom = this.box.querySelector(".enlarge");
      zoom.addEventListener("change", () => this.enlarge(Number(zoom.value)));
      this.fade.addEventListener("click", () => (this.timer ? this.stop() : this.start()));
      this.stage.addEventListener("keydown", (event) => {
        if (event.ctrlKey || event.metaKey || event.altKey) return;
        const number = Number(event.key) - 1;
        const fits = this.stage.classList.contains("fits");
        const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
        if (number >= 0 && number < this.pictures.length) this.byHand(number);
        else if (step && fits) { event.preventDefault(); this.byHand(this.index + step); }
      });
      let start = null;
      this.stage.addEventListener("pointerdown", (event) => { start = [event.clientX, event.clientY]; });
      this.stage.addEventListener("pointercancel", () => { start = null; });
      this.stage.addEventListener("pointerup", (event) => {
        if (!start || !this.stage.classList.contains("fits")) return;
        const [dx, dy] = [event.clientX - start[0], event.clientY - start[1]];
        if (Math.abs(dx) > 40 && Math.abs(dx) > 2 * Math.abs(dy)) this.byHand(this.index + (dx < 0 ? 1 : -1));
        start = null;
      });
      document.addEventListener("visibilitychange", () => { if (document.hidden) this.stop(); });
      calm.addEventListener("change", () => this.allowMotion());
    }

    byHand(index) {
      this.stop();
      this.change((index + this.pictures.length) % this.pictures.length);
    }

    /** Show another picture, but not sooner than the rate of changes allows. */
    change(index) {
      clearTimeout(this.waiting);
      this.index = index;
      this.radios[index].checked = true;
      const wait = this.changed + BY_HAND - performance.now();
      if (wait > 0) this.waiting = setTimeout(() => this.change(this.index), wait);
      else { this.changed = performance.now(); this.show(); }
    }

    show() {
      const picture = this.pictures[this.index];
      const { name } = picture.dataset;
      const difference = this.map.checked && this.strip.find((image) => image.classList.contains("difference") && image.dataset.name === name);
      const shown = this.strip.indexOf(difference || picture);
      this.images.forEach((image, n) => {
        image.classList.toggle("on", n === shown);
        if (n === shown) image.removeAttribute("aria-hidden"); else image.setAttribute("aria-hidden", "true");
      });
      const words = this.map.checked && !difference ? "the map is of differences from this picture" : picture.dataset.words;
      this.box.querySelector(".caption").textContent = `${name}${difference ? ", difference map" : ""}: ${words}`;
    }

    enlarge(times) {
      const [width, height] = [this.box.dataset.width * times, this.box.dataset.height * times];
      this.sheet.style.width = `${width}px`;
      this.sheet.style.height = `${height}px`;
      this.stage.classList.toggle("fits", width <= this.stage.clientWidth || times === 1);
    }

    start() {
      this.box.classList.add("slow");
      this.fade.setAttribute("aria-pressed", "true");
      this.timer = setInterval(() => this.change((this.index + 1) % this.pictures.length), BY_ITSELF);
    }

    stop() {
      clearInterval(this.timer);
      this.timer = null;
      this.box.classList.remove("slow");
      this.fade.setAttribute("aria-pressed", "false");
    }

    allowMotion() {
      this.stop();
      this.fade.disabled = calm.matches;
      this.fade.textContent = calm.matches ? "Slow cross-fade (off: reduced motion is asked for)" : "Slow cross-fade";
    }
  }

  for (const element of document.querySelectorAll("[data-plain]")) element.hidden = true;
  for (const element of document.querySelectorAll("[data-live]")) element.hidden = false;
  const switches = [...document.querySelectorAll("[data-series]")];
  const take = () => { chosen.keys = new Set(switches.filter((one) => one.checked).map((one) => one.dataset.series)); };
  take();
  const charts = specs.map((spec) => new Chart(spec));
  const redraw = () => charts.forEach((chart) => chart.draw());
  for (const one of switches) one.addEventListener("change", () => { take(); redraw(); });
  for (const radio of document.querySelectorAll("input[name=axis]")) {
    radio.addEventListener("change", () => { chosen.axis = radio.value; redraw(); });
  }
  document.querySelectorAll(".place").forEach((place) => new Viewer(place));

  let closed = [];
  addEventListener("beforeprint", () => {
    closed = [...document.querySelectorAll("details:not([open])")];
    for (const one of closed) one.open = true;
  });
  addEventListener("afterprint", () => { for (const one of closed) one.open = false; });
})();
