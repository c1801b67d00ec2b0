"use strict";
// Keeps the page fresh: the server sends words by the name of their place.
(function () {
  var last = Date.now();
  var source = new EventSource("live");
  function put(id, text) {
    var e = document.getElementById(id);
    if (e && e.textContent !== text) { e.textContent = text; }
  }
  source.addEventListener("words", function (event) {
    last = Date.now();
    var all = JSON.parse(event.data);
    Object.keys(all.words).forEach(function (id) { put(id, all.words[id]); });
    document.getElementById("glance").className = "glance " + all.glance;
    document.title = all.title;
    document.body.classList.remove("stale");
  });
  // Drawings and lists are made by the server itself, with everything foreign escaped.
  source.addEventListener("parts", function (event) {
    var all = JSON.parse(event.data);
    Object.keys(all).forEach(function (id) {
      var e = document.getElementById(id);
      if (e && !e.contains(document.activeElement)) { e.innerHTML = all[id]; }
    });
  });
  setInterval(function () {
    if (Date.now() - last > 10000) {
      document.body.classList.add("stale");
      put("fresh", "No news from the watch for " + Math.round((Date.now() - last) / 1000) + " s: what is shown is old");
    }
  }, 1000);
})();
