/* The kept setting against the current one, over the same noise: force over force, their difference as a trace of its
   own below, and the measures side by side. */
var benchCompare = (function () {
  "use strict";

  const made = benchControls.made, number = benchTold.number;
  let panels = [];

  function table(caption, heads, rows) {
    const it = made("table"), head = made("tr"), body = made("tbody"), top = made("thead");
    it.append(made("caption", "", caption));
    for (const words of heads) { const cell = made("th", "", words); cell.scope = "col"; head.append(cell); }
    top.append(head);
    for (const cells of rows) {
      const row = made("tr");
      cells.forEach((words, place) => {
        const cell = made(place ? "td" : "th", place ? "n" : "", words);
        if (!place) cell.scope = "row";
        row.append(cell);
      });
      body.append(row);
    }
    it.append(top, body);
    return it;
  }

  function difference(kept, current) {
    return kept === null || current === null ? "-" : (current > kept ? "+" : "") + short(current - kept);
  }

  function short(value) { return value === null ? "-" : Math.abs(value) >= 1000 ? number(value, 0) : String(+value.toPrecision(3)); }

  function settings(found, controls) {
    const labels = new Map(controls.map((control) => [control.key, control]));
    return controls.map((control) => control.key).map((key) => {
      const usual = labels.get(key).value, of = (side) => found[side].values[key] === undefined ? usual : found[side].values[key];
      return [key, of("kept"), of("current"), labels.get(key)];
    }).filter(([, kept, current]) => kept !== current)
      .map(([, kept, current, control]) => [benchControls.plainLabel(control.label, control.unit), short(kept), short(current), benchControls.unitWords(control.unit)]);
  }

  /* Index of the largest value of either sign, -1 without any. */
  function farthest(values) {
    return values.reduce((best, value, at) => Number.isNaN(value) || (best >= 0 && Math.abs(value) <= Math.abs(values[best])) ? best : at, -1);
  }

  function show(found, controls) {
    const section = document.getElementById("compared"), host = document.getElementById("compared-panel");
    const numbers = (values) => Float64Array.from(values, (value) => value === null ? NaN : value);
    section.hidden = false;
    const error = found.measures.find((measure) => measure.name === "mean_abs_error_N");
    const changed = settings(found, controls);
    const t_s = numbers(found.t_s), apart_N = numbers(found.difference_N), widest = farthest(apart_N);
    benchTold.put(document.getElementById("compared-line"), (changed.length ? "" : "Both settings are the same. ") + (error
      ? "Mean absolute error: kept " + number(error.kept, 2) + " N, current " + number(error.current, 2) + " N. " : "") +
      (widest < 0 ? "" : "The forces are farthest apart at " + number(t_s[widest], 1) + " s, by " + number(Math.abs(apart_N[widest]), 2) + " N."));
    panels.forEach((panel) => panel.destroy());
    host.textContent = "";
    panels = [
      thenarCharts.panel(host, {title: "Force: kept and current", unit: "N", height: 220, link: "compared",
        alt: "True force with the kept and with the current setting over the same noise, and the target",
        x: t_s, series: [
          {name: "target", look: "target", values: numbers(found.target_N)},
          {name: "kept", look: "kept", values: numbers(found.kept.force_N)},
          {name: "current", look: "force", values: numbers(found.current.force_N)}]}),
      thenarCharts.panel(host, {title: "Difference of the forces: current minus kept", unit: "N", height: 150, link: "compared",
        alt: "True force with the current setting minus true force with the kept one, over the same noise",
        x: t_s, series: [
          {name: "no difference", look: "target", values: new Float64Array(t_s.length)},
          {name: "current minus kept", look: "plain", values: apart_N}]})];
    const heads = ["measure", "kept", "current", "difference", "unit"];
    const rows = found.measures.filter((measure) => measure.kept !== null || measure.current !== null).map((measure) =>
      [measure.meaning || measure.name, short(measure.kept), short(measure.current), difference(measure.kept, measure.current), benchControls.unitWords(measure.unit)]);
    document.getElementById("compared-tables").replaceChildren(
      table("Settings that differ", ["setting", "kept", "current", "unit"], changed), table("Measures of the whole trial", heads, rows));
    section.scrollIntoView({block: "nearest"});
  }

  return {show};
})();
