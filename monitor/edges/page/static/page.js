// Keeps the figures of an open page fresh, and says when the monitor is lost.
(() => {
  "use strict";
  const lost = document.getElementById("lost");
  const since = document.getElementById("lost-since");
  let shape = document.body.dataset.shape;
  let heard = Date.now();
  let typed = false;

  document.addEventListener("input", () => { typed = true; });

  const clock = (at) => new Date(at).toTimeString().slice(0, 5);

  const isLost = () => {
    if (lost.hidden) {
      since.textContent = clock(heard);
      lost.hidden = false;
    }
  };

  const rewrite = async () => {
    if (typed || document.querySelector("form.asks")) return;
    const open = document.activeElement;
    if (open && open !== document.body && open.closest("main")) return;
    try {
      const answer = await fetch(location.href, { redirect: "error" });
      if (!answer.ok) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      document.getElementById("main").replaceWith(fresh.getElementById("main"));
      shape = fresh.body.dataset.shape;
    } catch (error) {
      isLost();
    }
  };

  const listen = () => {
    const events = new EventSource("/live");
    events.onmessage = (message) => {
      heard = Date.now();
      lost.hidden = true;
      const told = JSON.parse(message.data);
      for (const place of document.querySelectorAll("[data-live]")) {
        const text = told.values[place.dataset.live];
        if (text !== undefined && place.textContent !== text) place.textContent = text;
      }
      if (told.shape !== shape) rewrite();
    };
    events.onerror = () => {
      if (events.readyState === EventSource.CLOSED) {
        isLost();
        setTimeout(listen, 10000);
      }
    };
  };

  setInterval(() => { if (Date.now() - heard > 25000) isLost(); }, 2000);
  listen();
})();
