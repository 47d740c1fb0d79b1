"""Pages about people: signing in, one's own account, and who works here."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.views import LoginView, LogoutView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.decorators import method_decorator

from servicedesk.people import operations
from servicedesk.people.forms import NewPersonForm, PasswordForm, PersonForm, SignInForm
from servicedesk.people.models import Change, Role, User
from servicedesk.people.receipts import save_once
from servicedesk.people.rights import owners, user_of
from servicedesk.people.throttle import note_failure, note_success, seconds_to_wait
from servicedesk.refusals import attempt


@method_decorator(login_not_required, name="dispatch")
class SignIn(LoginView):
    """Sign in with name and password."""

    template_name = "people/sign_in.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """Check name and password, unless too many wrong ones came before."""
        username, at = request.POST.get("username", ""), timezone.now()
        if wait := seconds_to_wait(request, username, at=at):
            answer = render(request, "people/wait.html", {"seconds": wait}, status=429)
            answer["Retry-After"] = str(wait)
            return answer
        answer = super().post(request, *args, **kwargs)
        if answer.status_code == 302:
            note_success(request, answer, username)
        else:
            note_failure(request, username, at=at)
        return answer


class SignOut(LogoutView):
    """Sign out (a posted form, so that no link can do it)."""

    http_method_names = ["post", "options"]


def me(request: HttpRequest) -> HttpResponse:
    """One's own account: who one is here, and a new password."""
    user = user_of(request)
    form = PasswordForm(request.POST or None)
    if request.method == "POST" and form.is_valid():

        def keep() -> bool:
            operations.set_password(user, password=form.cleaned_data["password"], by=user, at=timezone.now())
            return True

        if attempt(form, keep):
            update_session_auth_hash(request, user)
            messages.success(request, "Your new password is stored.")
            return redirect("people:me")
    return render(request, "people/me.html", {"form": form}, status=422 if form.errors else 200)


@owners
def people(request: HttpRequest) -> HttpResponse:
    """Everybody who works or worked here."""
    return render(request, "people/person_list.html", {"people": User.objects.for_list()})


@owners
def add_person(request: HttpRequest) -> HttpResponse:
    """Let somebody new sign in."""
    form = NewPersonForm(request.POST or None)

    def make() -> str:
        told = form.cleaned_data
        operations.add_person(
            told["username"],
            name=told["name"],
            role=Role(told["role"]),
            password=told["password"],
            by=user_of(request),
            at=timezone.now(),
        )
        return reverse("people:people")

    if where := save_once(request, form, make):
        messages.success(request, f"{form.cleaned_data['name']} can sign in now.")
        return redirect(where)
    return render(request, "people/person_add.html", {"form": form}, status=422 if form.errors else 200)


@owners
def person(request: HttpRequest, pk: int) -> HttpResponse:
    """Change somebody's name, role or whether they may sign in."""
    user = get_object_or_404(User, pk=pk)
    form = PersonForm(request.POST or None, instance=user, initial={"role": user.role})

    def keep() -> User:
        told = form.cleaned_data
        return operations.change_person(
            User.objects.get(pk=pk),
            name=told["name"],
            phone=told["phone"],
            email=told["email"],
            role=Role(told["role"]),
            is_active=told["is_active"],
            by=user_of(request),
            at=timezone.now(),
        )

    if request.method == "POST" and attempt(form, keep):
        messages.success(request, "Stored.")
        return redirect("people:people")
    context = {"form": form, "person": user, "changes": Change.objects.about(user).for_page()}
    return render(request, "people/person_form.html", context, status=422 if form.errors else 200)


@owners
def person_password(request: HttpRequest, pk: int) -> HttpResponse:
    """Give somebody a new password."""
    user = get_object_or_404(User, pk=pk)
    form = PasswordForm(request.POST or None)

    def keep() -> bool:
        operations.set_password(
            user, password=form.cleaned_data["password"], by=user_of(request), at=timezone.now()
        )
        return True

    if request.method == "POST" and attempt(form, keep):
        messages.success(request, f"{user.name} has a new password.")
        return redirect("people:people")
    context = {"form": form, "person": user}
    return render(request, "people/person_password.html", context, status=422 if form.errors else 200)
