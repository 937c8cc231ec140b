// The tab "Set-up": the colours of the page. Accounts are in `login`, the alarm in `alarm`.

const theme = window.moontrimTheme;

for (const choice of document.querySelectorAll('[name="theme"]')) {
  choice.checked = choice.value === theme.chosen();
  choice.addEventListener("change", () => theme.choose(choice.value));
}
