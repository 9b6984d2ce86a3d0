// Small help for people with a mouse or a keyboard; every page works without.
"use strict";

// A browser may keep a page alive to go back to, whatever the server said about
// keeping. Somebody else may be at the screen by then: it is put away blank and
// asked for anew.
addEventListener("pagehide", (event) => { document.body.hidden = event.persisted; });
addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });

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

// From what is wrong to its field. A moment later, so that the Enter key that
// pressed the link does not also send the form from there.
document.addEventListener("click", (event) => {
  const link = event.target.closest(".wrong a[href^='#']");
  const field = link && document.getElementById(link.hash.slice(1));
  if (!field) return;
  event.preventDefault();
  setTimeout(() => {
    const folded = field.closest("details");
    if (folded) folded.open = true;
    field.focus();
  }, 100);
});

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
