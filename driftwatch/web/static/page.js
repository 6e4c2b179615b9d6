// What the page does beyond plain forms: tells how far work is, and shows it when it is done.
(function () {
  "use strict";

  function ask(address, then) {
    fetch(address, { headers: { accept: "application/json" } })
      .then(function (answer) { return answer.ok ? answer.json() : null; })
      .then(function (told) { if (told) { then(told); } })
      .catch(function () { /* the page was left, or the server is being started again */ });
  }

  // The assessment: say how far it is; a page that has nothing to show yet is loaded anew when it is there.
  var waiting = document.querySelector("[data-assessing]");
  if (waiting) {
    var look = function () {
      ask("/status.json" + location.search, function (told) {
        if (told.fresh) {
          if (waiting.hasAttribute("data-reload")) { location.reload(); return; }
          waiting.textContent = "The fleet has been assessed anew. ";
          var again = document.createElement("a");
          again.href = location.href;
          again.textContent = "Show it";
          waiting.appendChild(again);
          return;
        }
        var job = told.assessing, bar = waiting.querySelector("[data-progress]");
        if (job && job.state === "failed") { location.reload(); return; }
        if (job && job.total && bar) { bar.textContent = ": " + job.done + " of " + job.total + " units"; }
        setTimeout(look, 1000);
      });
    };
    setTimeout(look, 700);
  }

  // Long work: say how far it is, and show what came of it.
  var working = document.querySelector("[data-job]");
  if (working) {
    var follow = function () {
      ask("/jobs/" + working.dataset.job + "/progress.json", function (told) {
        if (told.over) { location.reload(); return; }
        var bar = working.querySelector("progress");
        if (told.total) { bar.max = told.total; bar.value = told.done; }
        working.querySelector("[data-state]").textContent =
          told.state === "waiting" ? "It waits for its turn." : "It is being worked on.";
        working.querySelector("[data-doing]").textContent =
          told.doing + (told.total ? ": " + told.done + " of " + told.total : "");
        setTimeout(follow, 500);
      });
    };
    setTimeout(follow, 400);
  }

  // Files can be dropped where they are chosen.
  document.querySelectorAll("form[data-drop]").forEach(function (form) {
    var place = form.querySelector(".drop"), chosen = form.querySelector("input[type=file]");
    form.querySelector("[data-drop-hint]").hidden = false;
    ["dragover", "dragleave", "drop"].forEach(function (kind) {
      place.addEventListener(kind, function (event) {
        event.preventDefault();
        place.classList.toggle("over", kind === "dragover");
        if (kind === "drop" && event.dataTransfer.files.length) { chosen.files = event.dataTransfer.files; }
      });
    });
  });

  // Columns are tried as they are chosen.
  document.querySelectorAll("form[data-live]").forEach(function (form) {
    var place = document.getElementById(form.dataset.live), timer = null, asked = 0;
    function attempt() {
      var mine = ++asked, told = new URLSearchParams(new FormData(form));
      told.set("do", "try");
      fetch(form.action, { method: "POST", body: told, headers: { "x-part": "checks" } })
        .then(function (answer) { return answer.text(); })
        .then(function (text) {
          if (mine !== asked) { return; }
          var made = new DOMParser().parseFromString(text, "text/html");
          var wrong = made.querySelector("[role=alert]"), said = made.getElementById("checks");
          if (wrong || !said) { place.replaceChildren.apply(place, wrong ? [wrong] : []); return; }
          place.replaceChildren.apply(place, Array.from(said.childNodes));
          made.querySelectorAll("[data-made]").forEach(function (part) {
            var cell = form.querySelector("[data-made=\"" + part.dataset.made + "\"]");
            cell.replaceChildren.apply(cell, Array.from(part.childNodes));
          });
        })
        .catch(function () { /* tried again with the next change */ });
    }
    form.addEventListener("change", function () { clearTimeout(timer); timer = setTimeout(attempt, 300); });
  });

  // A typed-in reading: what is odd is said as it is typed.
  document.querySelectorAll("form[data-sheet]").forEach(function (form) {
    function outside(value, low, high) {
      return (low !== undefined && value < Number(low)) || (high !== undefined && value > Number(high));
    }
    function plain(field) {
      return field.value.trim().replace("\u2212", "-").replace(/^([-+]?\d+),(\d+)$/, "$1.$2");
    }
    // A pack's volume grows with the distance run since it was last read.
    function grown(d, bound, rate) {
      if (d[bound] === undefined || d[rate] === undefined) { return d[bound]; }
      var shown = form.elements.odometer, km = Number(plain(shown)) * (form.elements.odometer_unit.value === "mi" ? 1.609344 : 1);
      return Number(d[bound]) + Number(d[rate]) * Math.max((km || 0) - Number(d.lastKm), 0);
    }
    function odd(field) {
      var text = plain(field), d = field.dataset;
      if (text === "") { return ""; }
      if (!/^[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?$/.test(text)) { return "is not a number"; }
      var value = Number(text);
      if (outside(value, d.low, d.high)) { return "is not possible"; }
      if (outside(value, d.least, d.most)) { return "is outside the range that can be learned"; }
      if (outside(value, grown(d, "usualLow", "growLow"), grown(d, "usualHigh", "growHigh"))) { return "is far from the last one (" + d.last + ")"; }
      return "";
    }
    function judge(field) {
      var said = field.parentElement.querySelector(".flag"), text = said ? odd(field) : "";
      if (!said) { return; }
      if (said.textContent !== text) { said.textContent = text; }
      field.toggleAttribute("aria-invalid", false);
      if (text) { field.setAttribute("aria-invalid", "true"); }
    }
    form.addEventListener("input", function (event) {
      if (/^odometer/.test(event.target.name)) { form.querySelectorAll("input[data-last-km]").forEach(judge); }
      judge(event.target);
      var sure = form.querySelector("[data-sure]");
      if (sure) { sure.hidden = !form.querySelector("[aria-invalid=true]"); }
    });
  });

  // A report is printed from the page that shows it.
  document.querySelectorAll("[data-print]").forEach(function (button) {
    button.hidden = false;
    button.addEventListener("click", function () { document.querySelector("iframe.report").contentWindow.print(); });
  });

  // A list is narrowed as soon as something is chosen.
  document.querySelectorAll("form[data-sieve] select").forEach(function (choice) {
    choice.addEventListener("change", function () { choice.form.requestSubmit(); });
  });
})();
