/* What the loop says, in words: the interlock's state, figures, the log, marks on the pictures. */
var benchTold = (function () {
  "use strict";

  const made = benchControls.made, MOST_LOGGED = 200;

  function number(value, digits) {
    return value === null || value === undefined || Number.isNaN(value) ? "-" : Number(value).toFixed(digits);
  }

  function put(element, words) { if (element.textContent !== words) element.textContent = words; }

  /* The interlock's box. `rules`: Map from "R33" to {title, needs}. */
  function interlock(state) {
    const box = document.getElementById("interlock");
    box.classList.toggle("latched", state.latched);
    box.classList.remove("cut-off");
    put(document.getElementById("stands"), state.latched ? "LATCHED by " + state.cause + ": nothing leaves"
      : state.armed ? "ARMED: pulses may leave" : "NOT ARMED: nothing leaves");
    put(document.getElementById("why"), (state.latched ? rule(state)
      : state.armed ? "Every command passes the interlock first." : state.title || "") + (state.paused ? " The loop is paused." : ""));
  }

  /* What a rule that has latched holds, and what clears it. */
  function rule(it) { return "The rule: " + it.title + ". To clear it: " + it.needs; }

  /* Nobody tells how the interlock stands: what stood there last must not be taken for how it is. */
  function cutOff(why) {
    const box = document.getElementById("interlock");
    box.classList.remove("latched");
    box.classList.add("cut-off");
    put(document.getElementById("stands"), "NOT KNOWN: " + why);
    put(document.getElementById("why"), "What the page shows is the last that it heard.");
  }

  function figures(host, state) {
    const late = state.lateness, all = [
      ["mean absolute error, this round", number(state.mean_abs_error_N, 2) + " N", "big"],
      ["round", String(state.round)],
      ["time in the round", number(state.t_us / 1e6, 1) + " s"],
      ["control ticks late: half under", number(late.p50_ms, 2) + " ms"],
      ["99 of 100 under", number(late.p99_ms, 2) + " ms"],
      ["999 of 1000 under", number(late.p999_ms, 2) + " ms"],
      ["at worst", number(late.worst_ms, 2) + " ms"],
      ["late by more than a period", late.missed + " of " + late.ticks + " ticks"],
    ];
    if (host.children.length !== 2 * all.length) {
      host.textContent = "";
      for (const [name, , kind] of all) host.append(made("dt", "", name), made("dd", kind));
    }
    all.forEach(([, value], place) => put(host.children[2 * place + 1], value));
  }

  const WORDS = {
    target: (it) => "target " + number(it.target_N, 2) + " N",
    fault: (it) => it.fault + " begins" + (it.live ? "" : " (scheduled)"),
    "fault-ends": (it) => it.fault + " ends",
    trip: (it) => "TRIP " + it.cause + ": " + it.title,
    cleared: (it) => "re-armed: " + it.cause + " cleared",
    armed: () => "armed",
    "arming-refused": (it) => "not armed: " + it.reasons.map((id, place) => id + " " + it.titles[place]).join("; "),
    "law-fault": (it) => "the law failed: " + it.what,
    change: (it, labels) => (labels.get(it.key) || it.key) + " = " + it.value,
    stopped: (it) => "stopped: silent " + number(it.after_ms, 1) + " ms after the stop was handed over",
    "passed-over": (it) => it.ticks + " control ticks passed over: the machine was too late",
    slipped: (it) => "the schedule moved by " + number(it.by_ms, 0) + " ms",
    pace: (it) => "pace " + it.factor + "x",
  };

  function words(event, labels) {
    const found = WORDS[event.kind];
    return found ? found(event, labels) : event.kind;
  }

  /* The mark of an event on the pictures, or null for one that gets none. */
  function mark(event, at_s, labels) {
    const kind = {trip: "trip", fault: "starts", "fault-ends": "ends", cleared: "event", stopped: "event", change: "event",
      "arming-refused": "trip", "law-fault": "event"}[event.kind];
    if (!kind) return null;
    return {t_s: at_s, word: event.kind === "change" ? "setting" : event.fault || event.cause || event.kind,
      reason: words(event, labels), kind};
  }

  function log(host, event, round, labels) {
    const line = made("li", event.kind === "trip" ? "trip" : "", "round " + round + ", " + number(event.t_us / 1e6, 2) + " s: " + words(event, labels));
    line.dataset.kind = event.kind;
    line.dataset.t = event.t_us;
    line.dataset.heard = Date.now();
    host.prepend(line);
    while (host.children.length > MOST_LOGGED) host.lastChild.remove();
  }

  function acting(host, rules, numbers) {
    const lines = numbers.map((n) => "R" + String(n).padStart(2, "0")).map((id) => id + " " + (rules.get(id) || {title: ""}).title);
    const wanted = lines.length ? lines : ["none"];
    if (wanted.join("\n") === host.dataset.shown) return;
    host.dataset.shown = wanted.join("\n");
    host.replaceChildren(...wanted.map((line) => made("li", "", line)));
  }

  function limits(host, about) {
    const table = made("table"), body = made("tbody");
    table.append(made("caption", "", "Profile " + about.limits.profile));
    for (const limit of about.limits.values) {
      const row = made("tr"), value = made("td", "n", +limit.value.toPrecision(6) + " " + limit.unit);
      row.append(made("th", "", limit.label), value);
      row.firstChild.scope = "row";
      body.append(row);
    }
    table.append(body);
    host.replaceChildren(...about.limits.deviations.map((line) => made("p", "", "looser than shipped: " + line)), table);
  }

  return {interlock, figures, words, mark, log, acting, limits, number, put, rule, cutOff};
})();
