"""Views of sign-in: username and password, the MFA code, and a first password."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django.contrib import messages
from django.contrib.auth import login
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.tokens import default_token_generator
from django.contrib.auth.views import LoginView, LogoutView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.decorators import method_decorator
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters

from servicedesk.accounts import operations
from servicedesk.accounts.forms import CodeForm, PasswordForm, SignInForm
from servicedesk.accounts.models import MfaDevice, User
from servicedesk.accounts.models.user_sessions import device_of
from servicedesk.accounts.throttle import note_failure, note_success, seconds_to_wait, wait_answer
from servicedesk.core.rules.refusals import apply_or_report

PENDING_MFA, PENDING_MFA_FOR = "pending_mfa", timedelta(minutes=5)
CHECKED_BY = "django.contrib.auth.backends.ModelBackend"


@method_decorator(login_not_required, name="dispatch")
class SignIn(LoginView):
    """Sign in with username and password; with MFA turned on, the code comes next."""

    template_name = "accounts/sign_in.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """Check username and password, unless sign-in is throttled."""
        username, at = request.POST.get("username", ""), timezone.now()
        if wait := seconds_to_wait(request, username, at=at):
            return wait_answer(request, wait)
        answer = super().post(request, *args, **kwargs)
        if answer.status_code != 302:
            note_failure(request, username, at=at)
        elif request.user.is_authenticated:
            note_success(request, answer, username, at=at)
        return answer

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        """Sign the user in, or ask for the MFA code first."""
        user, target = form.get_user(), self.get_success_url()
        if not isinstance(user, User) or not MfaDevice.objects.filter(user=user).exists():
            note_device(self.request)
            return super().form_valid(form)
        self.request.session.cycle_key()
        self.request.session[PENDING_MFA] = [user.pk, timezone.now().isoformat(), target]
        return redirect("accounts:code")


@login_not_required
@never_cache
@sensitive_post_parameters()
def code(request: HttpRequest) -> HttpResponse:
    """Ask a user whose password was right for the code that their phone shows."""
    user, target, at = *_pending_mfa(request), timezone.now()
    if user is None:
        return redirect("accounts:sign_in")
    if request.method == "POST" and (wait := seconds_to_wait(request, user.username, at=at)):
        return wait_answer(request, wait)
    form = CodeForm(request.POST or None)
    if request.method == "POST":
        if apply_or_report(form, lambda: _code_taken(user, form.cleaned_data["code"], at=at)):
            return _let_in(request, user, target)
        note_failure(request, user.username, at=at)
    return render(request, "accounts/code.html", {"form": form}, status=422 if form.errors else 200)


class SignOut(LogoutView):
    """Sign out (a posted form, so that no link can do it)."""

    http_method_names = ["post", "options"]


@login_not_required
@never_cache
@sensitive_post_parameters()
def welcome(request: HttpRequest, pk: int, token: str) -> HttpResponse:
    """Let an invited user choose their password."""
    user = User.objects.to_invite().filter(pk=pk).first()
    if user is None or not default_token_generator.check_token(user, token):
        return render(request, "accounts/welcome_over.html", status=404)
    form = PasswordForm(request.POST or None)

    def keep() -> bool:
        operations.set_password(user, password=form.cleaned_data["password"], by=user, at=timezone.now())
        return True

    if request.method == "POST" and apply_or_report(form, keep):
        messages.success(request, f"Your password is saved. Sign in as {user.username}.")
        return redirect("accounts:sign_in")
    context = {"form": form, "person": user}
    return render(request, "accounts/welcome.html", context, status=422 if form.errors else 200)


def note_device(request: HttpRequest) -> None:
    """Store in the session on what kind of device somebody signs in."""
    request.session["device"] = device_of(request.headers.get("User-Agent", ""))


def _pending_mfa(request: HttpRequest) -> tuple[User | None, str]:
    """User whose password was right in this browser a moment ago, and the page they wanted."""
    pk, since, target = request.session.get(PENDING_MFA) or (None, "", "")
    if pk is None or timezone.now() - datetime.fromisoformat(since) > PENDING_MFA_FOR:
        return None, ""
    return User.objects.working().filter(pk=pk).first(), target


def _code_taken(user: User, code: str, *, at: datetime) -> bool:
    operations.take_code(user, code=code, at=at)
    return True


def _let_in(request: HttpRequest, user: User, target: str) -> HttpResponse:
    note_device(request)
    del request.session[PENDING_MFA]
    login(request, user, backend=CHECKED_BY)
    answer = redirect(target or reverse("office:home"))
    note_success(request, answer, user.username, at=timezone.now())
    return answer
