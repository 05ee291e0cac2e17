// Issues a card without leaving the page: says how it goes, hands out the file, then shows the new code.
const form = document.getElementById("card-form");
const said = document.getElementById("card-said");

function say(text) {
  said.textContent = text;
  said.hidden = false;
}

async function issue() {
  const answer = await fetch(form.action, {
    method: "POST",
    headers: { "X-CSRF": document.querySelector('meta[name="csrf"]').content, Accept: "application/json" },
  });
  const told = await answer.json();
  if (!answer.ok) throw new Error(told.error || `the page answered ${answer.status}`);
  say(`${told.text}. Its file is on its way.`);
  const link = document.createElement("a");
  link.href = `${form.action}/file`;
  link.download = "";
  document.body.append(link);
  link.click();
  link.remove();
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const button = form.querySelector("button");
  button.disabled = true;
  say("Being made; this takes some seconds.");
  try {
    await issue();
    // The browser needs a moment to begin with the file before the page goes.
    setTimeout(() => location.reload(), 1500);
  } catch (error) {
    say(`Nothing was handed out: ${error.message}`);
    button.disabled = false;
  }
});
