
"use strict";
(function () {
  var video = document.getElementById("video");
  if (!video) return;
  document.body.classList.add("is-live");
  var rows = Array.prototype.slice.call(document.querySelectorAll("tr[data-from]"));
  var chart = document.querySelector(".chart");
  var cursor = document.querySelector(".cursor");
  var until = null;

  function play(el) {
    until = Number(el.dataset.to);
    video.currentTime = Number(el.dataset.from);
    video.scrollIntoView({ block: "nearest" });
    var started = video.play();
    if (started) started.catch(function () {});
  }

  document.addEventListener("click", function (event) {
    var el = event.target.closest("[data-from]");
    if (!el || event.metaKey || event.ctrlKey || event.shiftKey) return;
    if (String(window.getSelection())) return;
    event.preventDefault();
    play(el);
  });

  function follow() {
    var now = video.currentTime;
    if (until !== null && now >= until) {
      until = null;
      video.pause();
    }
    rows.forEach(function (row) {
      row.classList.toggle("now", now >= Number(row.dataset.from) && now <= Number(row.dataset.to));
    });
    if (cursor && chart) {
      cursor.hidden = false;
      cursor.style.left = (100 * now) / Number(chart.dataset.duration) + "%";
    }
  }
  video.addEventListener("timeupdate", follow);
  video.addEventListener("seeked", follow);
})();
