"""Storage of static files under hashed names, also where one of our scripts imports another."""

from __future__ import annotations

from whitenoise.storage import CompressedManifestStaticFilesStorage

IMPORTS = (
    (r"""(?P<matched>from "(?P<url>\./[^"]+)";)""", 'from "%(url)s";'),
    (r"""(?P<matched>import "(?P<url>\./[^"]+)";)""", 'import "%(url)s";'),
)


class StaticFilesStorage(CompressedManifestStaticFilesStorage):
    """Whitenoise's storage; imports among our scripts name the hashed files too (and must not be circular).

    Django's option for this, support_js_module_import_aggregation, would also parse third-party scripts.
    """

    patterns = (
        *CompressedManifestStaticFilesStorage.patterns,
        *((files, IMPORTS) for files in ("field/*.js", "pick.js")),
    )
