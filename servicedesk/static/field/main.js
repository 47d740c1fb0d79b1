// The technician's phone: what is recorded goes into an outbox on the phone first and is sent from there, each record
// once, in the order it was made. The pages of the day are kept for when there is no signal.
"use strict";

import "./leaving.js";
import { clearPack, pack } from "./pack.js";
import "./porch.js";
import { freshToken, line, send, sendAgain } from "./sending.js";
import { sendNow, show } from "./waiting.js";

document.addEventListener("outbox", show);
window.addEventListener("online", sendAgain);
// Coming back to the page: send, and hear whether somebody else signed in on this phone meanwhile.
document.addEventListener("visibilitychange", async () => {
  if (document.hidden || line.otherPerson) return;
  await send();
  await freshToken();
  show();
});
// The office says that nobody is signed in here any more: the day's pages are not for whoever holds the phone now.
document.addEventListener("signed-out", () => clearPack());
document.getElementById("send-now").addEventListener("click", sendNow);
show();
send();
pack().catch(() => {});
