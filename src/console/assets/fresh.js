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
        if (fresh.body.innerHTML !== part.innerHTML) {
          part.replaceChildren.apply(part, Array.from(fresh.body.childNodes));
          var back = focused && document.getElementById(focused);
          if (back) { back.focus(); }
        }
        told.hidden = true;
      })
      .catch(function () { told.hidden = false; })
      .finally(function () { asked = false; if (again) { again = false; refresh(); } });
  }

  function listen() {
    // what is below the screen is drawn now, too
    document.documentElement.classList.add("whole");
    var events = new EventSource(part.dataset.events);
    events.addEventListener("changed", refresh);
    events.addEventListener("error", function () { told.hidden = false; });
    events.addEventListener("open", function () { told.hidden = true; refresh(); });
  }

  // not before what is on the screen has been painted
  window.addEventListener("load", function () { setTimeout(listen, 300); });
})();
