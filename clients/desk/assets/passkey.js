// Passkeys, the one thing on these pages that needs a script: a browser lends
// its keys to nothing else. What it answers is put into a form and sent as any.
"use strict";

(() => {
  const button = document.getElementById("passkey");
  if (!button || !window.PublicKeyCredential || !navigator.credentials) return;
  const form = document.getElementById(button.dataset.form);
  const said = document.getElementById("passkey-said");
  document.getElementById("passkey-part").hidden = false;

  const bytes = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (c) => c.charCodeAt(0));
  const text = (buffer) => btoa(String.fromCharCode(...new Uint8Array(buffer))).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");
  const withBytes = (list) => (list || []).map((c) => ({ ...c, id: bytes(c.id) }));

  async function ask() {
    const answer = await fetch(button.dataset.from, { method: "POST", credentials: "same-origin" });
    const said = await answer.json();
    if (!answer.ok) throw new Error(said.url || "");
    const options = JSON.parse(said.optionsJson).publicKey;
    options.challenge = bytes(options.challenge);
    options.allowCredentials = withBytes(options.allowCredentials);
    options.excludeCredentials = withBytes(options.excludeCredentials);
    const making = Boolean(options.user);
    if (making) options.user.id = bytes(options.user.id);
    else delete options.excludeCredentials;
    if (making) delete options.allowCredentials;
    const key = making ? await navigator.credentials.create({ publicKey: options }) : await navigator.credentials.get({ publicKey: options });
    const r = key.response;
    const response = { clientDataJSON: text(r.clientDataJSON) };
    if (making) {
      response.attestationObject = text(r.attestationObject);
      response.transports = r.getTransports ? r.getTransports() : [];
    } else {
      response.authenticatorData = text(r.authenticatorData);
      response.signature = text(r.signature);
      if (r.userHandle) response.userHandle = text(r.userHandle);
    }
    form.elements.ticket.value = said.ticket;
    form.elements.answer.value = JSON.stringify({ id: key.id, rawId: text(key.rawId), type: key.type, response,
      clientExtensionResults: {}, authenticatorAttachment: key.authenticatorAttachment || undefined });
    form.submit();
  }

  button.addEventListener("click", async () => {
    button.disabled = true;
    said.textContent = "Waiting for your device.";
    try {
      await ask();
    } catch (problem) {
      said.textContent = problem.name === "InvalidStateError" ? "This device has a passkey for this place already."
        : problem.name === "Error" && problem.message ? problem.message
          : "Nothing was sent: the device gave no passkey, or it took too long. Try again, or another way.";
      button.disabled = false;
    }
  });
})();
