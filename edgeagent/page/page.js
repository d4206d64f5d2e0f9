// Keeps the page as the server has it: sections come as finished HTML, only what changed is exchanged.
"use strict";
(() => {
  const link = document.getElementById("link");
  const said = document.getElementById("said");
  let last = Date.now();

  function exchange(id, html) {
    const box = document.getElementById(id);
    if (!box || box.dataset.html === html) return;
    const focus = box.contains(document.activeElement) ? document.activeElement.id : "";
    box.innerHTML = html;
    box.dataset.html = html;
    const again = focus && document.getElementById(focus);
    if (again) again.focus({ preventScroll: true });
  }

  function show(words, lost) {
    if (link.textContent !== words) link.textContent = words;
    document.body.classList.toggle("lost", lost);
  }

  const source = new EventSource("/events");
  source.onmessage = (event) => {
    const news = JSON.parse(event.data);
    last = Date.now();
    for (const [id, html] of Object.entries(news.sections)) exchange(id, html);
    if (news.title) document.title = news.title;
    if (news.said && said.textContent !== news.said) said.textContent = news.said;
    show(news.as_of, false);
  };
  source.addEventListener("alive", () => { last = Date.now(); });
  setInterval(() => {
    const seconds = Math.round((Date.now() - last) / 1000);
    if (seconds > 20) show("No connection to this page's server: what is shown may be old.", true);
  }, 1000);
})();
