"""Views of one's own account: password, sessions, and MFA."""

from __future__ import annotations

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from servicedesk.accounts import operations
from servicedesk.accounts.codes import address_of_secret, new_secret
from servicedesk.accounts.forms import NewCodeForm, OldPasswordForm, OwnPasswordForm
from servicedesk.accounts.models import MfaDevice, UserSession
from servicedesk.accounts.models.user_sessions import mark_of
from servicedesk.accounts.rights import user_of
from servicedesk.accounts.throttle import forgive, note_failure, seconds_to_wait, wait_answer
from servicedesk.core.rules.refusals import apply_or_report
from servicedesk.core.values.words import count

SHOWN_SECRET = "new_mfa"  # noqa: S105  # nosec B105 - the name of an entry of the session


@sensitive_post_parameters()
def me(request: HttpRequest) -> HttpResponse:
    """Page of one's own account: who is signed in here, where else, and a new password.

    The old password proves that it is not somebody at an open screen.
    """
    user, at = user_of(request), timezone.now()
    if request.method == "POST" and (wait := seconds_to_wait(request, user.username, at=at)):
        return wait_answer(request, wait)
    form = OwnPasswordForm(request.POST or None, user=user)
    if request.method == "POST" and _is_proved(request, form):

        def keep() -> bool:
            operations.set_password(user, password=form.cleaned_data["password"], by=user, at=at)
            return True

        if apply_or_report(form, keep):
            update_session_auth_hash(request, user)
            messages.success(request, "Your new password is saved.")
            return redirect("accounts:me")
    context = {
        "form": form,
        "user_sessions": UserSession.objects.of(user),
        "here": mark_of(request.session),
        "step": MfaDevice.objects.filter(user=user).first(),
    }
    return render(request, "accounts/me.html", context, status=422 if form.errors else 200)


@require_POST
def end_user_session(request: HttpRequest, mark: str) -> HttpResponse:
    """End one of one's own sessions."""
    user = user_of(request)
    user_session = get_object_or_404(UserSession.objects.of(user), mark=mark)
    operations.end_user_sessions(user, [user_session], by=user, at=timezone.now())
    messages.success(request, f"Signed out of that {user_session}.")
    return redirect("accounts:me")


@require_POST
def end_other_user_sessions(request: HttpRequest) -> HttpResponse:
    """End all of one's own sessions but this one."""
    user = user_of(request)
    others = UserSession.objects.of(user).exclude(mark=mark_of(request.session))
    ended = operations.end_user_sessions(user, others, by=user, at=timezone.now())
    messages.success(request, f"Signed out of {count(ended, 'other device')}.")
    return redirect("accounts:me")


@never_cache
@sensitive_post_parameters()
def mfa(request: HttpRequest) -> HttpResponse:
    """Set up MFA: a secret to read with an app, and one code back as the proof.

    The password proves that it is not somebody at an open screen, who would lock its owner out from then on.
    """
    user, at = user_of(request), timezone.now()
    if MfaDevice.objects.filter(user=user).exists():
        return redirect("accounts:me")
    if request.method == "POST" and (wait := seconds_to_wait(request, user.username, at=at)):
        return wait_answer(request, wait)
    form = NewCodeForm(request.POST or None, user=user)
    secret = request.session.setdefault(SHOWN_SECRET, new_secret())

    def begin() -> MfaDevice:
        return operations.begin_mfa(user, secret=secret, code=form.cleaned_data["code"], at=at)

    if request.method == "POST" and _is_proved(request, form) and apply_or_report(form, begin):
        del request.session[SHOWN_SECRET]
        messages.success(request, "From now on you are asked for a code when you sign in.")
        return redirect("accounts:me")
    context = {"form": form, "secret": secret, "picture": _picture(secret, name=user.username)}
    return render(request, "accounts/mfa.html", context, status=422 if form.errors else 200)


@sensitive_post_parameters()
def no_mfa(request: HttpRequest) -> HttpResponse:
    """End one's own MFA; the password proves that it is not somebody at an open screen."""
    user, at = user_of(request), timezone.now()
    if request.method == "POST" and (wait := seconds_to_wait(request, user.username, at=at)):
        return wait_answer(request, wait)
    form = OldPasswordForm(request.POST or None, user=user)

    def end() -> bool:
        operations.end_mfa(user, by=user, at=at)
        return True

    if request.method == "POST" and _is_proved(request, form) and apply_or_report(form, end):
        messages.success(request, "You sign in without a code now.")
        return redirect("accounts:me")
    return render(request, "accounts/no_mfa.html", {"form": form}, status=422 if form.errors else 200)


def _is_proved(request: HttpRequest, form: OldPasswordForm) -> bool:
    """Validate a form that takes one's password; a wrong one counts as a failed sign-in."""
    if form.is_valid():
        forgive(request, form.user.username, at=timezone.now())
        return True
    if form.is_no_proof:
        note_failure(request, form.user.username, at=timezone.now())
    return False


def _picture(secret: str, *, name: str) -> SafeString:
    """QR code of the secret (ISO/IEC 18004), as SVG without inline styles."""
    import segno

    code = segno.make(address_of_secret(secret, name=name, company=settings.COMPANY_NAME), micro=False)
    drawn = code.svg_inline(scale=5, omitsize=True, title="The secret as a code")
    return mark_safe(drawn)  # noqa: S308  # nosec B308 B703 - squares that segno drew, none of the user's words
