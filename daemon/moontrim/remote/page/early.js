// Opens the way to the broker while everything else loads; link.js takes it over. It stands in the page
// itself. Only where the page will log in by itself: the server soon ends a socket that does not.
(() => {
  const KEPT = "moontrim-access"; // in access.js
  let logsIn = document.documentElement.dataset.password === "none" || /[#&]p=/.test(location.hash);
  try {
    logsIn = logsIn || KEPT in sessionStorage || KEPT in localStorage;
  } catch {
    // no storage
  }
  if (!logsIn) return;
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  window.early = new WebSocket(`${scheme}://${location.host}/mqtt`, "mqtt");
})();
