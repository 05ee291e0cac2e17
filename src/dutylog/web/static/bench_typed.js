// Keeps in this tab what was typed into a form and not sent: another form's button, a link or a lost line takes nothing.
const who = document.querySelector(".who-name b")?.textContent ?? "";
const SENT = "typed-sent";
const isAnswered = document.querySelector("main .bench-said, main [role=alert]") !== null;

function keyOf(form) {
  return `typed:${who}:${new URL(form.action).pathname}`;
}

function fieldsOf(form) {
  return [...form.elements].filter((one) => one.name && !["hidden", "file", "password"].includes(one.type) && one.tagName !== "BUTTON");
}

function isChoice(field) {
  return field.type === "radio" || field.type === "checkbox";
}

function read(form) {
  return fieldsOf(form).map((one) => (isChoice(one) ? [one.name, one.value, one.checked] : [one.name, one.value]));
}

function write(form, told) {
  for (const field of fieldsOf(form)) {
    const found = told.find(([name, value]) => name === field.name && (!isChoice(field) || value === field.value));
    if (!found) continue;
    if (isChoice(field)) field.checked = found[2];
    else field.value = found[1];
  }
}

function restore(form) {
  const told = JSON.parse(sessionStorage.getItem(keyOf(form)) ?? "[]");
  if (told.length === 0 || JSON.stringify(told) === JSON.stringify(read(form))) return;
  write(form, told);
  for (let box = form.closest("details"); box; box = box.parentElement.closest("details")) box.open = true;
  const line = document.createElement("p");
  line.className = "notice";
  line.textContent = "Typed here before and not kept: it stands here again.";
  form.prepend(line);
}

function forgetAll() {
  for (const key of Object.keys(sessionStorage)) if (key.startsWith("typed:")) sessionStorage.removeItem(key);
}

function start() {
  // What was sent is the bench's, or shown by it again, once it has answered; a page without an answer came another way.
  const sent = sessionStorage.getItem(SENT);
  if (sent && isAnswered) sessionStorage.removeItem(sent);
  sessionStorage.removeItem(SENT);
  document.querySelector('form[action="/sign-out"]')?.addEventListener("submit", forgetAll);
  for (const form of document.querySelectorAll("form[data-typed]")) {
    restore(form);
    form.addEventListener("input", () => sessionStorage.setItem(keyOf(form), JSON.stringify(read(form))));
    form.addEventListener("submit", () => sessionStorage.setItem(SENT, keyOf(form)));
  }
}

try {
  start();
} catch {
  // No storage here, or none left: forms work as they do without script.
}
