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
