// Small help for people with a mouse or a keyboard; every page works without.
"use strict";

// A suggested code goes into its field, and its title stands beside it.
document.addEventListener("click", (event) => {
  const offer = event.target.closest("button.offer");
  if (!offer) return;
  const field = document.getElementById(offer.dataset.into);
  if (!field) return;
  field.value = offer.dataset.code;
  say(field, offer.dataset.title);
  field.focus();
});

// What somebody types has no title until it is stored.
document.addEventListener("input", (event) => say(event.target, ""));

function say(field, words) {
  const meaning = document.getElementById(field.id + "-meaning");
  if (meaning) meaning.textContent = words;
}

// What is wrong with a form is read out and shown first.
const wrong = document.querySelector(".wrong[tabindex]");
if (wrong) wrong.focus();

// A form is sent once: a second press while it is on its way does nothing.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.method !== "post") return;
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "yes";
  setTimeout(() => delete form.dataset.sent, 4000);
});
