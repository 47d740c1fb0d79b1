"""Showing photos to those who may see them."""

from __future__ import annotations

from csp.decorators import csp_replace
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404

from servicedesk.calls.models import Photo
from servicedesk.calls.photo_files import photo_path
from servicedesk.calls.thumbnails import small_path
from servicedesk.people.rights import technicians


@technicians
@csp_replace({"default-src": ["'none'"]})  # type: ignore[arg-type]  # its stub knows no further arguments
def photo(request: HttpRequest, photo_pk: int) -> HttpResponse:
    """One photo, as the file it was made into."""
    found = get_object_or_404(Photo, pk=photo_pk)
    path = photo_path(found.name)
    if "small" in request.GET and small_path(found.name).is_file():
        path = small_path(found.name)
    if not path.is_file():
        raise Http404("The file of this photo is gone.")
    answer = HttpResponse(path.read_bytes(), content_type="image/jpeg")
    answer["Content-Disposition"] = f'inline; filename="photo-{found.pk}.jpg"'
    answer["Cache-Control"] = "private, max-age=86400"
    return answer
