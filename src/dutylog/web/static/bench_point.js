// A point of the inspection: large photos are made smaller before they are sent, units follow the reader's choice.
import { onUnits, unitSystem } from "./page.js";

const MOST_SIDE_PX = 1600; // enough to see a hairline over a hand's breadth; 0.3 to 0.6 MB (judgement)
const QUALITY = 0.85;

function followUnits() {
  for (const select of document.querySelectorAll("select[data-follow-units]")) {
    // What somebody typed is meant in the unit that stood beside it.
    const typed = select.closest(".bj-with-unit")?.querySelector("input");
    if (typed && typed.value.trim()) continue;
    const option = select.querySelector(`option[data-system="${unitSystem()}"]`);
    if (option) select.value = option.value;
  }
}

async function shrink(file) {
  const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
  try {
    const scale = Math.min(1, MOST_SIDE_PX / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.max(1, Math.round(picture.width * scale));
    canvas.height = Math.max(1, Math.round(picture.height * scale));
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    const blob = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", QUALITY));
    return blob && blob.size < file.size ? new File([blob], file.name.replace(/\.\w+$/, "") + ".jpg", { type: "image/jpeg" }) : file;
  } finally {
    picture.close();
  }
}

function kilobytes(size) {
  return `${Math.max(1, Math.round(size / 1000))} kB`;
}

async function chosen(event) {
  const input = event.currentTarget;
  const said = document.getElementById(`${input.id}-said`);
  const [file] = input.files;
  if (!file) {
    said.textContent = "";
    return;
  }
  const buttons = input.form.querySelectorAll('button[type="submit"]');
  for (const button of buttons) button.disabled = true;
  try {
    const small = await shrink(file);
    if (small !== file && input.files[0] === file) {
      const list = new DataTransfer();
      list.items.add(small);
      input.files = list.files;
    }
    said.textContent = small === file ? `${kilobytes(file.size)}, sent as it is` : `made smaller: ${kilobytes(file.size)} to ${kilobytes(small.size)}`;
  } catch {
    // what the browser can't draw the bench may still take, or refuse with its own line
    said.textContent = `${kilobytes(file.size)}, sent as it is`;
  } finally {
    for (const button of buttons) button.disabled = false;
  }
}

for (const input of document.querySelectorAll("input[data-shrink]")) input.addEventListener("change", chosen);
followUnits();
onUnits(followUnits);
