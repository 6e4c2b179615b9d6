// Draws every chart of the page from the JSON beside it; refits them for the printed page and back, and opens
// there what is folded away on the screen.
// Filters long tables by what is typed above them. No network, no storage.
(function () {
  "use strict";
  var config = { responsive: true, displayModeBar: false, displaylogo: false, scrollZoom: false, doubleClick: false };
  var plots = Array.prototype.slice.call(document.querySelectorAll(".plot"));

  function draw(plot) {
    var figure = JSON.parse(document.getElementById(plot.dataset.figure).textContent);
    return Plotly.newPlot(plot, figure.data, figure.layout, config).then(function () {
      plot.dataset.drawn = "yes";
    });
  }

  plots.forEach(draw);
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details.more:not([open])").forEach(function (part) {
      part.open = true;
      part.dataset.shut = "yes";
    });
    plots.forEach(function (plot) {
      var size = { width: 660 };
      if (plot.closest(".owner")) { size.height = Math.round(0.58 * plot.layout.height); }
      plot.dataset.height = plot.layout.height;
      Plotly.relayout(plot, size);
    });
  });
  window.addEventListener("afterprint", function () {
    document.querySelectorAll("details[data-shut]").forEach(function (part) {
      part.open = false;
      delete part.dataset.shut;
    });
    plots.forEach(function (plot) {
      Plotly.relayout(plot, { width: null, height: Number(plot.dataset.height), autosize: true });
    });
  });

  document.querySelectorAll("input[data-filter]").forEach(function (input) {
    var rows = document.querySelectorAll("#" + input.dataset.filter + " tbody tr");
    var said = document.getElementById(input.dataset.filter + "-shown");
    input.hidden = false;
    input.addEventListener("input", function () {
      var wanted = input.value.trim().toLowerCase(), shown = 0;
      rows.forEach(function (row) {
        row.hidden = wanted !== "" && row.textContent.toLowerCase().indexOf(wanted) < 0;
        if (!row.hidden) { shown += 1; }
      });
      said.textContent = wanted === "" ? "" : shown + " of " + rows.length + " rows";
    });
  });
})();
