"""Reading pages of figures back: their rows, their links and what they say."""

from __future__ import annotations

import csv
import html
import io
import re
from typing import Any

from django.test import Client

TABLE = re.compile(r"<table.*?</table>", re.DOTALL)
ROW = re.compile(r"<tr>(.*?)</tr>", re.DOTALL)
CELL = re.compile(r"<t[hd][^>]*>(.*?)</t[hd]>", re.DOTALL)
LINK = re.compile(r'href="([^"]*)"')
TAG = re.compile(r"<[^>]+>")


def plain(markup: str) -> str:
    """Take the words out of markup."""
    return " ".join(html.unescape(TAG.sub("", markup)).split())


def open_page(client: Client, address: str, *, status: int = 200) -> str:
    """Open a page and give its markup."""
    answer = client.get(address)
    assert answer.status_code == status, plain(answer.content.decode())[:500]
    return answer.content.decode()


def rows(page: str, *, table: int = 0) -> list[list[str]]:
    """Give the rows of a table as words, without its head."""
    tables = TABLE.findall(page)
    if len(tables) <= table:
        return []
    body = tables[table].split("</thead>")[-1]
    return [[plain(cell) for cell in CELL.findall(row)] for row in ROW.findall(body)]


def link_of(page: str, words: str, *, table: int = 0) -> str:
    """Give where the first link of the row with some words leads."""
    body = TABLE.findall(page)[table].split("</thead>")[-1]
    row = next(row for row in ROW.findall(body) if words in plain(row))
    return html.unescape(LINK.findall(row)[0])


def link_saying(page: str, words: str) -> str:
    """Give where the link with some words leads."""
    for address, said in re.findall(r'<a[^>]*href="([^"]*)"[^>]*>(.*?)</a>', page, re.DOTALL):
        if words in plain(said):
            return html.unescape(address)
    raise AssertionError(f"No link says “{words}”.")


def csv_rows(client: Client, address: str) -> list[dict[str, Any]]:
    """Download a page's file and give its rows."""
    answer = client.get(address)
    assert answer.status_code == 200
    assert answer["Content-Type"].startswith("text/csv")
    body = b"".join(answer) if answer.streaming else answer.content
    return list(csv.DictReader(io.StringIO(body.decode("utf-8-sig"))))
