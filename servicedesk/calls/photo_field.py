"""Form field of a photo."""

from __future__ import annotations

from typing import Any

from django import forms

from servicedesk.calls.photo_files import MOST_BYTES


class PhotoField(forms.FileField):
    """Photo field; a browser with scripts reports a file that is too large, and does not send it."""

    def __init__(self, *, label: str = "A photo", required: bool = False, **options: Any) -> None:
        widget = forms.FileInput(
            attrs={"accept": "image/jpeg,image/png,image/webp", "data-most-bytes": MOST_BYTES}
        )
        super().__init__(label=label, required=required, widget=widget, **options)
