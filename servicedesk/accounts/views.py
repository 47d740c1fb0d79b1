"""Views of users, for owners."""

from __future__ import annotations

from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from servicedesk.accounts import operations
from servicedesk.accounts.forms import NewPersonForm, PasswordForm, PersonForm
from servicedesk.accounts.models import MfaDevice, Role, User, UserSession
from servicedesk.accounts.rights import owners, user_of
from servicedesk.core.edits import apply_edit_or_report, as_opened
from servicedesk.core.idempotency import save_idempotent
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation, apply_or_report
from servicedesk.core.values.words import count


@owners
def people(request: HttpRequest) -> HttpResponse:
    """List of all users, active and former."""
    return render(request, "accounts/person_list.html", {"people": User.objects.for_list()})


@owners
@sensitive_post_parameters()
def add_person(request: HttpRequest) -> HttpResponse:
    """Add a user, with a first password or an invitation by mail."""
    form = NewPersonForm(request.POST or None)
    if where := save_idempotent(request, form, lambda: _add(request, form)):
        return redirect(where)
    return render(request, "accounts/person_add.html", {"form": form}, status=422 if form.errors else 200)


def _add(request: HttpRequest, form: NewPersonForm) -> str:
    data, by, at = form.cleaned_data, user_of(request), timezone.now()
    name, role = data["name"], Role(data["role"])
    if data["password"]:
        password, email = data["password"], data["email"]
        operations.add_person(
            data["username"], name=name, email=email, role=role, password=password, by=by, at=at
        )
    else:
        operations.invite_person(data["username"], name=name, email=data["email"], role=role, by=by, at=at)
    said = f"{name} can sign in now." if data["password"] else f"{name} gets a link by mail."
    messages.success(request, said)
    return reverse("accounts:people")


@owners
def person(request: HttpRequest, pk: int) -> HttpResponse:
    """Change a user's name, role or whether they may sign in."""
    user = get_object_or_404(User, pk=pk)
    form = as_opened(PersonForm(request.POST or None, instance=user, initial={"role": user.role}))

    def keep() -> User:
        data = form.cleaned_data
        return operations.change_person(
            User.objects.get(pk=pk),
            name=data["name"],
            phone=data["phone"],
            email=data["email"],
            role=Role(data["role"]),
            is_active=data["is_active"],
            by=user_of(request),
            at=timezone.now(),
        )

    def again() -> PersonForm:
        now = User.objects.get(pk=pk)
        return PersonForm(instance=now, initial={"role": now.role})

    if request.method == "POST" and apply_edit_or_report(
        form, keep, record=user, by=user_of(request), again=again
    ):
        messages.success(request, "Saved.")
        return redirect("accounts:people")
    context = {
        "form": form,
        "person": User.objects.get(pk=pk),
        "changes": Change.objects.about(user).for_page(),
        "user_sessions": UserSession.objects.of(user),
        "step": MfaDevice.objects.filter(user=user).first(),
        "sends": bool(settings.EMAIL_BACKEND),
    }
    return render(request, "accounts/person_form.html", context, status=422 if form.errors else 200)


@owners
@require_POST
def invite_person(request: HttpRequest, pk: int) -> HttpResponse:
    """Mail a user an invitation to choose a password."""
    user = get_object_or_404(User, pk=pk)
    try:
        operations.invite_again(user, by=user_of(request), at=timezone.now())
        messages.success(request, f"{user.name} gets a link by mail.")
    except RuleViolation as refusal:
        messages.error(request, str(refusal))
    return redirect("accounts:person", pk=pk)


@owners
@require_POST
def sign_person_out(request: HttpRequest, pk: int) -> HttpResponse:
    """End all sessions of a user."""
    user = get_object_or_404(User, pk=pk)
    ended = operations.end_user_sessions(
        user, UserSession.objects.of(user), by=user_of(request), at=timezone.now()
    )
    messages.success(request, f"{user.name} was signed out of {count(ended, 'device')}.")
    return redirect("accounts:person", pk=pk)


@owners
@require_POST
def end_mfa(request: HttpRequest, pk: int) -> HttpResponse:
    """End the MFA of a user whose phone is lost."""
    user = get_object_or_404(User, pk=pk)
    operations.end_mfa(user, by=user_of(request), at=timezone.now())
    messages.success(request, f"{user.name} signs in without a code now.")
    return redirect("accounts:person", pk=pk)


@owners
@sensitive_post_parameters()
def person_password(request: HttpRequest, pk: int) -> HttpResponse:
    """Set a user's new password."""
    user = get_object_or_404(User, pk=pk)
    form = PasswordForm(request.POST or None)

    def keep() -> bool:
        operations.set_password(
            user, password=form.cleaned_data["password"], by=user_of(request), at=timezone.now()
        )
        return True

    if request.method == "POST" and apply_or_report(form, keep):
        messages.success(request, f"{user.name} has a new password.")
        return redirect("accounts:people")
    context = {"form": form, "person": user}
    return render(request, "accounts/person_password.html", context, status=422 if form.errors else 200)
