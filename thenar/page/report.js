/* A report's page: shows one wearer at a time, and draws the trial that is chosen from the data inside the page. */
(function () {
  "use strict";
  document.documentElement.classList.add("coded");

  function bytesOf(text) {
    var plain = atob(text), bytes = new Uint8Array(plain.length);
    for (var index = 0; index < plain.length; index++) bytes[index] = plain.charCodeAt(index);
    return bytes;
  }

  async function inflated(text) {
    var stream = new Blob([bytesOf(text)]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }

  /* Lines by name, as thenar/report/page_pack.py packed them. */
  async function linesOf(block) {
    var content = await inflated(block.text), points = block.points, lines = {};
    block.lines.forEach(function (line, number) {
      var values = new Float32Array(points), start = 2 * points * number, step = 0;
      for (var index = 0; index < points; index++) {
        step = (step + content[start + index] + (content[start + points + index] << 8)) & 65535;
        values[index] = step === 65535 ? NaN : line.low + step * line.quantum;
      }
      lines[line.name] = values;
    });
    return lines;
  }

  function timesOf(block) {
    var x = new Float64Array(block.points), width = block.width;
    for (var index = 0; index < x.length; index++) {
      var row = width === 1 ? index : (index >> 1) * width + (index & 1) * (width >> 1);
      x[index] = block.start_s + row * block.step_s;
    }
    return x;
  }

  async function lanesOf(block) {
    return Promise.all(block.lanes.map(async function (lane) {
      var content = await inflated(lane.text), spans = new Float64Array(lane.count), row = 0;
      for (var index = 0; index < lane.count; index++) {
        for (var plane = 0; plane < 4; plane++) row += content[plane * lane.count + index] * Math.pow(256, plane);
        spans[index] = block.start_s + row * block.step_s;
      }
      return {name: lane.name, reason: lane.reason, spans: spans};
    }));
  }

  /* The band in which a force counts as on target: a share of it, or so many N, whichever is larger. */
  function bandOf(target, band) {
    var low = new Float32Array(target.length), high = new Float32Array(target.length);
    for (var index = 0; index < target.length; index++) {
      var half = Math.max(band.share * Math.abs(target[index]), band.least_N);
      low[index] = target[index] - half;
      high[index] = target[index] + half;
    }
    return {low: low, high: high};
  }

  function channel(host, name, unit, what, lines, shared) {
    if (!lines[name + "_demand_" + unit]) return;
    thenarCharts.panel(host, Object.assign({title: name[0].toUpperCase() + name.slice(1) + " " + what,
      unit: unit.replace("width_", ""), height: 145,
      alt: name + " " + what + " over time: what the control law asked for, and what the interlock admitted.",
      series: [{name: "asked for", look: name + "-asked", values: lines[name + "_demand_" + unit], step: true},
        {name: "admitted", look: name, values: lines[name + "_admitted_" + unit], step: true}]}, shared));
  }

  /* Draw the trial whose data is the element with the id `number`. */
  async function draw(traces, number) {
    var host = traces.querySelector("div"), block = JSON.parse(document.getElementById(number).textContent);
    traces.dataset.drawing = number;
    var lines = await linesOf(block), lanes = await lanesOf(block);
    if (traces.dataset.drawing !== number) return; // another was chosen meanwhile
    host.textContent = "";
    var who = traces.dataset.wearer, band = bandOf(lines.target_N, block.band);
    var shared = {link: number, x: timesOf(block), spans: block.spans};
    var said = document.createElement("p");
    said.textContent = block.said;
    var help = document.createElement("p");
    help.className = "help"; // not on paper
    help.textContent = thenarCharts.help;
    host.append(said, help);
    thenarCharts.panel(host, Object.assign({title: "Force of " + who, unit: "N", height: 260, marks: block.marks,
      alt: "Force of " + who + " over time: target with its band, true force, and the estimate that reached the " +
        "controller. " + block.marks.length + (block.marks.length === 1 ? " mark" : " marks") + ". The table below has the measures.",
      series: [{name: "target, band shaded", look: "target", values: lines.target_N, low: band.low, high: band.high,
        step: true},
        {name: "estimate", look: "estimate", values: lines.estimate_N},
        {name: "true force", look: "force", values: lines.force_N}]}, shared));
    ["agonist", "antagonist"].forEach(function (name) {
      channel(host, name, "mA", "current", lines, shared);
      channel(host, name, "width_us", "pulse width", lines, shared);
    });
    if (lanes.length) {
      thenarCharts.panel(host, Object.assign({title: "Interlock: when each rule acted", lanes: lanes,
        alt: "When each rule of the interlock acted: " + lanes.map(function (lane) {
          return lane.name + " " + lane.reason;
        }).join("; ")}, shared));
    }
    traces.dataset.drawn = number;
  }

  function show(person) {
    document.querySelectorAll(".person").forEach(function (other) { other.hidden = other !== person; });
    document.querySelectorAll(".people a").forEach(function (link) {
      if (link.hash === "#" + person.id) link.setAttribute("aria-current", "true");
      else link.removeAttribute("aria-current");
    });
    var traces = person.querySelector(".traces");
    if (traces && !traces.dataset.drawing) draw(traces, traces.querySelector("select").value);
  }

  document.querySelectorAll(".traces select").forEach(function (choice) {
    choice.addEventListener("change", function () { draw(choice.closest(".traces"), choice.value); });
  });
  function follow() {
    var wanted = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    var person = wanted && wanted.closest(".person");
    if (person) { show(person); person.scrollIntoView(); }
  }
  window.addEventListener("hashchange", follow);
  var first = document.querySelector(".person");
  if (first) show(first);
  follow();
})();
