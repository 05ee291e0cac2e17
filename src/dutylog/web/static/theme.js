// Runs before the first paint, so that a screen set to night never flashes white. choices.js changes the setting.
try {
  const theme = localStorage.getItem("dutylog.theme");
  if (theme === "sun" || theme === "night") document.documentElement.dataset.theme = theme;
} catch {
  // storage may be switched off; the page then follows the device
}
