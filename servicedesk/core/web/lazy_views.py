"""Views whose module is imported on the first request for one of them.

Figures, routing and printing need libraries that take a second and a hundred megabytes to load. A web worker
that serves phones and the office never needs them.
"""

from __future__ import annotations

from functools import cached_property
from importlib import import_module
from typing import Any

from django.http import HttpRequest, HttpResponseBase


class LazyView:
    """One view function, known by name until it is called or one of its attributes is read."""

    def __init__(self, module: str, name: str) -> None:
        self.__module__, self.__name__, self.__qualname__ = module, name, name

    @cached_property
    def view(self) -> Any:
        """The view function itself."""
        return getattr(import_module(self.__module__), self.__name__)

    def __call__(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        answer: HttpResponseBase = self.view(request, *args, **kwargs)
        return answer

    def __getattr__(self, name: str) -> Any:
        """Return an attribute of the view, such as its required role or whether it needs a CSRF token.

        Django looks for a class behind every view when it reads the URLs: that does not load the module.
        """
        if name == "view_class":
            raise AttributeError(name)
        return getattr(self.view, name)


class LazyViews:
    """Module of views as a URLconf names them: ``views.rates``."""

    def __init__(self, module: str) -> None:
        self._module = module

    def __getattr__(self, name: str) -> LazyView:
        return LazyView(self._module, name)
