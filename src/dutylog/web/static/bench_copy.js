// A button that copies the text for an owner; without a script, or where copying isn't allowed, it is selected by hand.
const text = document.getElementById("text");
const button = document.getElementById("copy");
const said = document.getElementById("copied");

async function copy() {
  try {
    await navigator.clipboard.writeText(text.value);
    said.textContent = "Copied.";
  } catch {
    text.focus();
    text.select();
    said.textContent = "It is selected: copy it now.";
  }
}

if (text && button) {
  button.hidden = false;
  button.addEventListener("click", copy);
}
