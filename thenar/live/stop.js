// The stop control. It lives in a sandboxed frame, which the browser runs apart from the page: a page that is busy or hung
// can't hold it up. A press goes out twice, over this frame's own socket and as a request of its own.
"use strict";
(() => {
  const button = document.getElementById("press");
  const told = document.getElementById("told");
  let socket = null, stands = "";

  const say = (words) => { if (told.textContent !== words) told.textContent = words; };

  function connect() {
    socket = new WebSocket(`ws://${location.host}${location.pathname}stop-live`);
    socket.onopen = () => say("ready (Esc)");
    socket.onclose = () => { say("no connection: trying again"); setTimeout(connect, 500); };
    socket.onmessage = (event) => {
      const heard = JSON.parse(event.data);
      if (heard.is !== "loop") return;
      button.classList.toggle("pressed", heard.latched);
      stands = heard.latched ? `latched (${heard.cause}): nothing leaves` : "";
      say(stands || "ready (Esc)");
    };
  }

  function press() {
    button.classList.add("pressed");
    say(stands || "stop pressed"); // on another way it may have come through already
    if (socket && socket.readyState === WebSocket.OPEN) socket.send('{"do":"stop"}');
    fetch("press", {method: "POST", mode: "no-cors", keepalive: true, body: ""}).catch(() => {
      if (!socket || socket.readyState !== WebSocket.OPEN) say("the stop did not get through");
    });
  }

  // Pointer down, not click: a stop doesn't wait for the finger to come up again.
  button.addEventListener("pointerdown", (event) => { if (event.isPrimary) press(); });
  button.addEventListener("click", (event) => { if (event.detail === 0) press(); });
  document.addEventListener("keydown", (event) => { if (event.key === "Escape" && !event.repeat) press(); });
  // The page passes its own Escape key on.
  window.addEventListener("message", (event) => { if (event.source === window.parent && event.data === "stop") press(); });
  connect();
})();
