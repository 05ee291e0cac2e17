// One line for radio or a text message. Its wording is made by the pages (GET /line, rules in shared/SNAPSHOT.md); here it is
// only fetched in the reader's units and zone, shown, and copied.
import { byId, setHidden, setText } from "./elements.js";
import { unitSystem } from "./page.js";

export function bindRadioLine() {
  const button = byId("copy-line");
  button.hidden = false;
  button.addEventListener("click", async () => {
    button.disabled = true;
    const said = await copyLine();
    button.disabled = false;
    setText(byId("line-said"), said);
  });
}

async function copyLine() {
  const box = byId("line-text");
  let line;
  try {
    const offsetMin = -new Date().getTimezoneOffset();
    const answer = await fetch(`/line?units=${unitSystem()}&utc_offset_min=${offsetMin}`);
    if (!answer.ok) throw new Error(`answer ${answer.status}`);
    line = (await answer.text()).trim();
  } catch {
    return "No line: the pages can't be reached; try again.";
  }
  setHidden(byId("line-place"), false);
  box.value = line;
  return (await copy(line, box)) ? "Copied." : "Select the line and copy it: this browser doesn't let the page do it.";
}

/** The clipboard needs https or this machine; over plain http the old way through a selected field still works. */
async function copy(line, box) {
  try {
    if (navigator.clipboard) {
      await navigator.clipboard.writeText(line);
      return true;
    }
  } catch {
    // refused: try the old way
  }
  box.focus();
  box.select();
  try {
    return document.execCommand("copy");
  } catch {
    return false;
  }
}
