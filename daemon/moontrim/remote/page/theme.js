// The colours, set before anything is drawn: as stored on this phone, else as the phone has them.
// No module, since those run after the first drawing.

(() => {
  const NAMES = ["light", "dark", "red"];
  const KEPT = "moontrim-theme";
  const night = window.matchMedia("(prefers-color-scheme: dark)");
  let chosen = "auto";
  try {
    chosen = window.localStorage.getItem(KEPT) ?? "auto";
  } catch {
    // no storage
  }

  function paint() {
    const plain = night.matches ? "dark" : "light";
    document.documentElement.dataset.theme = NAMES.includes(chosen) ? chosen : plain;
  }

  window.moontrimTheme = {
    chosen: () => (NAMES.includes(chosen) ? chosen : "auto"),
    choose: (name) => {
      chosen = name;
      try {
        if (name === "auto") window.localStorage.removeItem(KEPT);
        else window.localStorage.setItem(KEPT, name);
      } catch {
        // private browsing: until the page is closed
      }
      paint();
    },
  };
  night.addEventListener("change", paint);
  paint();
})();
