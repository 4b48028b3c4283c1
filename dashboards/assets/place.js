// After a page has come: its name in the title, and the focus where a reader goes on.
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  yieldwatch: {
    first: true,
    arrived() {
      const own = window.dash_clientside.yieldwatch;
      const main = document.getElementById("main");
      const head = main && main.querySelector("h1");
      if (!head) return "";
      document.title = head.textContent + " · yieldwatch";
      if (!own.first) { main.focus({preventScroll: true}); window.scrollTo(0, 0); }
      own.first = false;
      return "";
    },
  },
});
