"use strict";
// Keeps the page fresh: the server sends words and drawings by the name of their place.
(function () {
  var source = null, last = Date.now(), waiting = {};
  function place(id) { return document.getElementById(id); }
  function put(id, text) {
    var e = place(id);
    if (e && e.textContent !== text) { e.textContent = text; }
  }
  function words(event) {
    last = Date.now();
    var all = JSON.parse(event.data);
    Object.keys(all.words).forEach(function (id) {
      if (id === "glance") { place(id).className = "glance " + all.words[id]; }
      else if (id === "title") { document.title = all.words[id]; }
      else { put(id, all.words[id]); }
    });
    // A wiring with fewer phases has fewer rows.
    document.querySelectorAll("tr[id]").forEach(function (row) {
      row.hidden = all.absent.indexOf(row.id) >= 0;
    });
    document.body.classList.remove("stale");
  }
  // Drawings and lists are made by the server, with everything foreign escaped.
  function draw(id, html) {
    var e = place(id);
    if (!e) { return; }
    // What the reader is in is not taken from under him; it comes when he leaves.
    if (e.contains(document.activeElement)) { waiting[id] = html; return; }
    delete waiting[id];
    var old = e.querySelector("details"), open = old && old.open;
    e.innerHTML = html;
    var now = e.querySelector("details");
    if (open && now) { now.open = true; }
    // A section that had nothing to show has something now.
    var empty = e.closest("section[hidden]");
    if (empty && html) { empty.hidden = false; }
  }
  function parts(event) {
    last = Date.now();
    var all = JSON.parse(event.data);
    Object.keys(all).forEach(function (id) { draw(id, all[id]); });
  }
  document.addEventListener("focusout", function () {
    setTimeout(function () {
      Object.keys(waiting).forEach(function (id) { draw(id, waiting[id]); });
    }, 0);
  });
  function listen() {
    if (source) { source.close(); }
    source = new EventSource(document.body.dataset.live);
    source.addEventListener("words", words);
    source.addEventListener("parts", parts);
  }
  // A page that nobody sees asks for nothing.
  document.addEventListener("visibilitychange", function () {
    if (document.hidden) { source.close(); } else { listen(); }
  });
  setInterval(function () {
    if (document.hidden) { return; }
    if (source.readyState === EventSource.CLOSED) { listen(); }
    var quiet = Math.round((Date.now() - last) / 1000);
    if (quiet >= 10) {
      document.body.classList.add("stale");
      put("fresh", "No news from the watch for " + quiet + " s: what is shown is old");
    }
  }, 2000);
  listen();
})();
