"""What nobody should type, and what an answer to it must never be."""

from __future__ import annotations

import re
from typing import Any

from hypothesis import strategies as st

MARK = "zq7mark"
"""In every script among the junk, to be found again in answers."""

SCRIPTS = (
    f"<script>{MARK}(1)</script>",
    f'"><img src=x onerror={MARK}(1)>',
    f"'-{MARK}(1)-'",
    f"javascript:{MARK}(1)",
    f"</textarea></title></style><svg/onload={MARK}(1)>",
    f"{{{{ {MARK}|safe }}}}{{% debug %}}",
)

JUNK = (
    *SCRIPTS,
    "\0",
    "x\0y",
    "",
    " ",
    "\u202e\u2066abc\u200f",
    "\ufeff\ufffe\U0010ffff",
    "e\u0301" * 50 + "\u0915\u094d" * 20,
    "a" * 10_000,
    "line\r\nSet-Cookie: stolen=1",
    f'=HYPERLINK("http://example.invalid/{MARK}","x")',
    "+1+cmd|' /C calc'!A0",
    "@SUM(1+1)",
    "-1",
    "0",
    "1e999",
    "1e-999",
    "NaN",
    "-Infinity",
    "0x10",
    "1_000",
    "\u0663\u0665",
    "9" * 20,
    str(2**31),
    str(2**63 - 1),
    str(2**63),
    "9" * 5000,
    "2026-02-30",
    "0001-01-01",
    "0000-00-00",
    "9999-12-31",
    "9999-12-31T23:59",
    "0001-01-01T00:00",
    "2026-11-01T01:30",  # comes twice where clocks go back
    "24:00",
    "23:59:59.9999999",
    "../../../../etc/passwd",
    "%00%ff%c0%ae",
    "[]",
    '{"a": {"$gt": ""}}',
    "' OR 1=1 --",
    "None",
)
"""Values that break checks that were forgotten; each stands for a kind of mistake."""

LEADS_TO_SCRIPT = re.compile(r"(href|src|action|formaction)=.?\s*javascript:")

any_text = st.text(st.characters(exclude_categories=["Cs"]), max_size=60)
"""Any text at all that can be sent; lone surrogates can't be, and come through JSON in the inbox's tests."""

RAW_BODIES: tuple[tuple[str, bytes], ...] = (
    ("application/json", b'{"idempotency_key": [1, {"a": null}], "name": 1e999}'),
    ("application/json", b"[" * 2000),
    ("application/x-www-form-urlencoded", b"%ed%a0%80=%ff&a=%00&=&&==&%=%zz"),
    ("application/x-www-form-urlencoded; charset=nonsense", b"name=x"),
    ("application/x-www-form-urlencoded; charset=utf-16", b"\xff\xfen\x00=\x00"),
    ("application/x-www-form-urlencoded", b"&".join(b"f%d=1" % number for number in range(3000))),
    ("multipart/form-data", b"no boundary"),
    ("multipart/form-data; boundary=", b"--\r\n\r\n----"),
    ("multipart/form-data; boundary=x", b'--x\r\nContent-Disposition: form-data; name="name"\r\n\r\nbroken'),
    (
        "multipart/form-data; boundary=x",
        (
            b'--x\r\nContent-Disposition: form-data; name="photo"; filename="../\x00.png"\r\n'
            b"Content-Type: image/png\r\nContent-Transfer-Encoding: base64\r\n\r\n!!!!\r\n--x--\r\n"
        ),
    ),
    ("text/xml", b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]><a>&b;</a>'),
    ("nonsense", b"\x00" * 100),
    ("", b""),
)
"""Bodies that are no form at all, with what they claim to be."""


def faults_of(answer: Any) -> list[str]:
    """List what an answer to junk must not be or lack."""
    faults = []
    if answer.status_code >= 500:
        faults.append(f"status {answer.status_code}")
    kind = answer.headers.get("Content-Type", "")
    if "stolen" in answer.cookies:
        faults.append("a cookie of the sender’s")
    if answer.headers.get("Location", "").startswith(("javascript:", "//", "http")):
        faults.append(f"leads to {answer['Location']}")
    if answer.streaming or not kind.startswith("text/html"):
        return faults
    page = answer.content.decode()
    if "Content-Security-Policy" not in answer.headers:
        faults.append("no Content-Security-Policy")
    if "Traceback" in page:
        faults.append("a traceback")
    faults += [f"reflects {script}" for script in SCRIPTS[:2] if script in page]
    if f"<svg/onload={MARK}" in page or LEADS_TO_SCRIPT.search(page):
        faults.append("reflects a script")
    return faults
