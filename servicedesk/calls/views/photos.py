"""Views that serve and add photos, with access control."""

from __future__ import annotations

from csp.decorators import csp_replace
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone

from servicedesk.accounts.body_sizes import takes_up_to
from servicedesk.accounts.rights import technicians, user_of
from servicedesk.calls.models import Call, Photo
from servicedesk.calls.operations import add_photo
from servicedesk.calls.photo_field import PhotoField
from servicedesk.calls.photo_files import most_bytes, photo_path
from servicedesk.calls.thumbnails import small_path
from servicedesk.core.idempotency import IdempotencyKeyForm, save_idempotent
from units.views import status_of


@technicians
@csp_replace({"default-src": ["'none'"]})  # type: ignore[arg-type]  # its stub knows no further arguments
def photo(request: HttpRequest, photo_pk: int) -> HttpResponse:
    """Serve one photo as a file."""
    photo = get_object_or_404(Photo, pk=photo_pk)
    path = photo_path(photo.name)
    if "small" in request.GET and small_path(photo.name).is_file():
        path = small_path(photo.name)
    if not path.is_file():
        raise Http404("The file of this photo is gone.")
    answer = HttpResponse(path.read_bytes(), content_type="image/jpeg")
    answer["Content-Disposition"] = f'inline; filename="photo-{photo.pk}.jpg"'
    answer["Cache-Control"] = "private, max-age=86400"
    return answer


class PhotoForm(IdempotencyKeyForm):
    """Photo added by the office."""

    photo = PhotoField(
        label="Photo",
        required=True,
        help_text="JPEG, PNG or WebP. Where and with what it was taken is not kept.",
    )


@technicians
@takes_up_to(most_bytes, answers_itself=True)
def add_call_photo(request: HttpRequest, pk: int) -> HttpResponse:
    """Add a photo to a call, such as one the customer sent by mail."""
    call = get_object_or_404(Call.objects.select_related("site"), pk=pk)
    form = PhotoForm(request.POST or None, request.FILES or None)

    def make() -> str:
        file = form.cleaned_data["photo"]
        add_photo(call, file.file, size=file.size, by=user_of(request), at=timezone.now())
        return call.get_absolute_url()

    if where := save_idempotent(request, form, make):
        messages.success(request, "The photo is saved.")
        return redirect(where)
    context = {"form": form, "call": call}
    return render(request, "calls/photo_add.html", context, status=status_of(form))
