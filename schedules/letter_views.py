"""Pages of letters: what was sent, what waits or is withheld, their words, and what customers want to get."""

from __future__ import annotations

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_POST

from schedules import operations
from schedules.forms import WeekForm
from schedules.letters.filling import preview, words_of
from schedules.letters.links import read_opt_out_token
from schedules.letters.texts import USUAL, check_blanks
from schedules.models import ClockMark, Letter, LetterKind, LetterText, Visit, Wishes
from schedules.weeks import bounds, monday_of
from servicedesk.paging import key_page
from servicedesk.people.models import Change
from servicedesk.people.rights import owners, schedulers, user_of
from servicedesk.refusals import Refused, attempt
from units.models import Customer
from units.views import status_of

SENDS = "schedules.send_letters"


class StageForm(forms.Form):
    """Which letters to list."""

    stage = forms.ChoiceField(choices=[("", "all"), *Letter.Stage.choices], required=False, label="Letters")


class TextForm(forms.Form):
    """The words of a kind of letter."""

    title = forms.CharField(max_length=160)
    body = forms.CharField(widget=forms.Textarea(attrs={"rows": 14}), label="Text")

    def __init__(self, *args: object, kind: str, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.kind = kind

    def clean_title(self) -> str:
        """Refuse a blank that nothing fills."""
        return self._checked("title")

    def clean_body(self) -> str:
        """Refuse a blank that nothing fills."""
        return self._checked("body")

    def _checked(self, name: str) -> str:
        text: str = self.cleaned_data[name]
        try:
            check_blanks(self.kind, text)
        except ValueError as error:
            raise forms.ValidationError(str(error)) from error
        return text


class WishesForm(forms.Form):
    """What somebody wants to get by mail."""

    what = forms.ChoiceField(
        choices=Wishes.What.choices, widget=forms.RadioSelect, label="Send me by mail", initial="all"
    )


@schedulers
def letters(request: HttpRequest) -> HttpResponse:
    """Letters with what became of each."""
    form = StageForm(request.GET)
    form.is_valid()
    found = Letter.objects.at_stage(form.cleaned_data.get("stage") or "").for_list()
    context = {
        "form": form,
        "page": key_page(found, request.GET, order=("-id",)),
        "sends": bool(settings.EMAIL_BACKEND),
        "mark": ClockMark.objects.filter(task=SENDS).first(),
        "query": request.GET.urlencode(),
    }
    return render(request, "schedules/letter_list.html", context)


@schedulers
def one_letter(request: HttpRequest, pk: int) -> HttpResponse:
    """One letter as it was sent, or why it was not."""
    found = get_object_or_404(Letter.objects.for_list(), pk=pk)
    context = {"letter": found, "changes": Change.objects.about(found).for_page()}
    return render(request, "schedules/letter.html", context)


@schedulers
@require_POST
def try_again(request: HttpRequest, pk: int) -> HttpResponse:
    """Put a letter back on the queue."""
    found = get_object_or_404(Letter, pk=pk)
    try:
        operations.try_again(found, by=user_of(request), at=timezone.now())
        messages.success(request, "It is on the queue again.")
    except Refused as refusal:
        messages.error(request, str(refusal))
    return redirect("schedules:letter", pk=pk)


@schedulers
@require_POST
def ask_customers(request: HttpRequest) -> HttpResponse:
    """Ask the customers of a week's proposed visits whether they suit."""
    form = WeekForm(request.POST, people=[])
    form.is_valid()
    monday = monday_of(form.cleaned_data.get("week") or timezone.localdate())
    visits = list(Visit.objects.open().between(*bounds(monday, days=7)))
    asked = operations.ask_customers(visits, by=user_of(request), at=timezone.now())
    messages.success(request, f"{asked} letter{'' if asked == 1 else 's'} on the queue.")
    return redirect(reverse("schedules:week_sheet", query={"week": monday}))


@owners
def letter_texts(request: HttpRequest) -> HttpResponse:
    """The kinds of letters and their words."""
    own = set(LetterText.objects.values_list("kind", flat=True))
    kinds = [(kind.value, kind.label, words_of(kind.value), kind.value in own) for kind in LetterKind]
    return render(request, "schedules/letter_texts.html", {"kinds": kinds})


@owners
def change_letter_text(request: HttpRequest, kind: str) -> HttpResponse:
    """Change the words of a kind of letter, and see it filled in."""
    if kind not in USUAL:
        raise Http404
    words = words_of(kind)
    form = TextForm(request.POST or None, kind=kind, initial={"title": words.title, "body": words.body})
    told = words.title, words.body
    if request.method == "POST" and form.is_valid():
        told = form.cleaned_data["title"], form.cleaned_data["body"]
    if (
        request.method == "POST"
        and "store" in request.POST
        and attempt(form, lambda: _store(kind, form, request))
    ):
        messages.success(request, "Stored. Letters sent from now on have these words.")
        return redirect("schedules:letter_texts")
    context = {
        "form": form,
        "label": LetterKind(kind).label,
        "blanks": words.blanks,
        "usual": USUAL[kind],
        "preview": preview(kind, *told),
    }
    return render(request, "schedules/letter_text.html", context, status=status_of(form))


def _store(kind: str, form: TextForm, request: HttpRequest) -> bool:
    told = form.cleaned_data
    operations.set_letter_text(
        kind, title=told["title"], body=told["body"], by=user_of(request), at=timezone.now()
    )
    return True


@schedulers
def customer_wishes(request: HttpRequest, customer_pk: int) -> HttpResponse:
    """What a customer wants to get by mail, as told on the telephone."""
    customer = get_object_or_404(Customer, pk=customer_pk)
    held = Wishes.objects.filter(customer=customer).first()
    form = WishesForm(request.POST or None, initial={"what": held.what if held else "all"})
    form.fields["what"].label = "Gets by mail"
    if request.method == "POST" and attempt(
        form,
        lambda: operations.set_wishes(
            customer, form.cleaned_data["what"], by=user_of(request), at=timezone.now()
        ),
    ):
        messages.success(request, "Stored.")
        return redirect(customer)
    context = {"form": form, "customer": customer}
    return render(request, "schedules/customer_wishes.html", context, status=status_of(form))


@csrf_exempt  # a mail program posts here by itself (RFC 8058); the signed address is what it knows
@login_not_required
def wishes(request: HttpRequest, token: str) -> HttpResponse:
    """What a customer wants to get by mail; one click in a mail program ends it all."""
    pk = read_opt_out_token(token)
    customer = Customer.objects.filter(pk=pk).first() if pk is not None else None
    if customer is None:
        raise Http404("No customer is here.")
    held = Wishes.objects.filter(customer=customer).first()
    one_click = request.POST.get("List-Unsubscribe") == "One-Click"
    form = WishesForm(
        ({"what": "nothing"} if one_click else request.POST) if request.method == "POST" else None,
        initial={"what": held.what if held else "all"},
    )
    stored = request.method == "POST" and bool(
        attempt(
            form,
            lambda: operations.set_wishes(customer, form.cleaned_data["what"], by=None, at=timezone.now()),
        )
    )
    answer = render(
        request, "schedules/wishes.html", {"form": form, "stored": stored}, status=status_of(form)
    )
    answer["Referrer-Policy"] = "no-referrer"
    answer["X-Robots-Tag"] = "noindex"
    return answer
