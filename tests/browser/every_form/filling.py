"""Filling in a form of a page as a person does: control by control, and one button at its end."""

from __future__ import annotations

from typing import Any

from playwright.sync_api import Locator, Page

OWN = {"idempotency_key", "csrfmiddlewaretoken"}
"""What a page fills in by itself."""


def find_form(page: Page, path: str, *, entries: dict[str, Any]) -> Locator:
    """Find the form that is posted to a path and takes these entries; of several, that with the fewest."""
    matching: dict[int, Locator] = {}
    for form in page.locator("form").all():
        action, by, fields = form.evaluate(
            "form => [new URL(form.action, location).pathname, form.method,"
            " [...form.elements].map(control => [control.name, control.type, control.value])]"
        )
        names = {name for name, _, _ in fields} - OWN - {""}
        fixed = {name: value for name, kind, value in fields if kind == "hidden" and name in entries}
        if by != "post" or action != path.partition("?")[0] or not entries.keys() - OWN <= names:
            continue
        if all(str(entries[name]) == value for name, value in fixed.items() if name not in OWN):
            matching.setdefault(len(names), form)
    assert matching, f"no form of {page.url} is sent to {path} with {sorted(entries)}"
    return matching[min(matching)]


def open_what_hides(form: Locator) -> None:
    """Open each folded part that a form stands in, or that stands in it."""
    folded = form.locator("xpath=ancestor::details[not(@open)] | .//details[not(@open)]")
    while folded.count():
        folded.first.locator("summary").first.click()


def fill_in(form: Locator, entries: dict[str, Any], files: dict[str, tuple[str, bytes, str]]) -> None:
    """Fill in a form; an entry for which it shows no control fails the test."""
    open_what_hides(form)
    for name, value in entries.items():
        if name not in OWN:
            _enter(form, name, [str(each) for each in value] if isinstance(value, list) else [str(value)])
    for name, (file, content, kind) in files.items():
        chosen = {"name": file, "mimeType": kind, "buffer": content}
        form.locator(f'input[type=file][name="{name}"]').set_input_files(chosen)  # type: ignore[arg-type]


def _enter(form: Locator, name: str, values: list[str]) -> None:
    page, owner = form.page, form.get_attribute("id")
    controls = form.locator(f'[name="{name}"]')
    if not controls.count() and owner:
        controls = page.locator(f'[form="{owner}"][name="{name}"]')
    assert controls.count(), f"the form at {page.url} shows nothing for {name}"
    control = controls.first
    tag, kind = control.evaluate("control => [control.tagName.toLowerCase(), control.type]")
    if tag == "button" or kind == "hidden":
        return
    if kind in {"radio", "checkbox"}:
        _choose(controls, values)
    elif tag == "select":
        control.select_option(values)
    else:
        control.fill(values[0])


def _choose(controls: Locator, values: list[str]) -> None:
    chosen = 0
    for control in controls.all():
        wanted = control.get_attribute("value") in {*values, None}
        chosen += wanted
        if control.is_checked() != wanted and (wanted or control.get_attribute("type") == "checkbox"):
            control.set_checked(wanted, force=True)  # some are drawn by their label
    assert chosen, f"no choice is one of {values}"


def button_of(form: Locator, entries: dict[str, Any]) -> Locator:
    """Find the button to press: the one that sends an entry, else the first."""
    for name, value in entries.items():
        named = form.locator(f'button[name="{name}"][value="{value}"]')
        if named.count():
            return named.first
    return form.locator("button[type=submit], button:not([type])").first
