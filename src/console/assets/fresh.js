// Keeps the part of a page that is marked with data-rows fresh: the service says when it has become old.
(function () {
  "use strict";
  var part = document.querySelector("[data-rows]");
  if (!part || !window.EventSource) { return; }
  var told = document.querySelector("[data-connection]");
  var asked = false, again = false;

  function refresh() {
    if (asked) { again = true; return; }
    asked = true;
    fetch(part.dataset.rows, { headers: { accept: "text/html" } })
      .then(function (answer) { if (!answer.ok) { throw new Error(); } return answer.text(); })
      .then(function (html) {
        var focused = document.activeElement && document.activeElement.id;
        // our own markup, rendered and escaped by the service
        var fresh = new DOMParser().parseFromString(html, "text/html");
        part.replaceChildren.apply(part, Array.from(fresh.body.childNodes));
        var back = focused && document.getElementById(focused);
        if (back) { back.focus(); }
        told.hidden = true;
      })
      .catch(function () { told.hidden = false; })
      .finally(function () { asked = false; if (again) { again = false; refresh(); } });
  }

  // what is below the screen is drawn once what is on it has been painted
  window.addEventListener("load", function () {
    requestAnimationFrame(function () { setTimeout(function () { document.documentElement.classList.add("whole"); }); });
  });

  var events = new EventSource(part.dataset.events);
  events.addEventListener("changed", refresh);
  events.addEventListener("error", function () { told.hidden = false; });
  events.addEventListener("open", function () { told.hidden = true; refresh(); });
})();
