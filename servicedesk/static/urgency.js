// Logging a call: a danger named while the caller is on the phone makes it a call for today.
// The desk decides the same when the form is sent; this only shows it at once.

const form = document.querySelector("form.sheet");
const impliedBy = { wont_stay_up: "wont_stay_up", falls_out: "wont_stay_up", glass: "guard_glass" };

function follow(event) {
  const { name, value } = event.target;
  if (name === "symptom" && impliedBy[value]) {
    const unanswered = !form.querySelector(`input[name="${impliedBy[value]}"]:checked`);
    if (unanswered) form.querySelector(`input[name="${impliedBy[value]}"][value="yes"]`).checked = true;
  }
  if (form.querySelector('.question input[value="yes"]:checked')) {
    form.querySelector('input[name="urgency"][value="make_safe"]').checked = true;
  }
}

if (form) form.addEventListener("change", follow);
