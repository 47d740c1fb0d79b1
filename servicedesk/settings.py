"""Settings of the whole project; everything that differs between machines comes from the environment.

Every variable read here is described in README.md ("Settings"); a test compares the two lists.
"""

from __future__ import annotations

import os
from datetime import timedelta
from pathlib import Path
from typing import Any

import environ
from celery.schedules import crontab
from csp.constants import NONE, SELF
from django.core.exceptions import ImproperlyConfigured

from servicedesk.core.values.secrets import stored_secret

BASE_DIR = Path(__file__).resolve().parent.parent

env = environ.Env()
environ.Env.read_env(BASE_DIR / ".env", overwrite=False)

# --- who we are -------------------------------------------------------------------------------------
COMPANY_NAME = env.str("COMPANY_NAME", default="Sashkeep")
COMPANY_PHONE = env.str("COMPANY_PHONE", default="")
LENGTH_UNIT = env.str("LENGTH_UNIT", default="in")
SITE_URL = env.str("SITE_URL", default="http://127.0.0.1:8000").rstrip("/")
TIME_ZONE = env.str("TIME_ZONE", default="America/New_York")
# Where routes start, in degrees; without it in the middle of the sites.
COMPANY_LATITUDE = env.float("COMPANY_LATITUDE", default=None)
COMPANY_LONGITUDE = env.float("COMPANY_LONGITUDE", default=None)
DETOUR_FACTOR = env.float("DETOUR_FACTOR", default=1.3)  # ratio of road distance to straight line

# Link of "map", with {lat} and {lon} in degrees; the default is a map that anybody may use.
MAP_LINK = env.str(
    "MAP_LINK", default="https://www.openstreetmap.org/?mlat={lat}&mlon={lon}#map=18/{lat}/{lon}"
)
if not ("{lat}" in MAP_LINK and "{lon}" in MAP_LINK and MAP_LINK.startswith(("https://", "http://", "geo:"))):
    raise ImproperlyConfigured("MAP_LINK is an address with {lat} and {lon} in it.")

# --- where things are -------------------------------------------------------------------------------
DATA_DIR = Path(env.str("DATA_DIR", default=str(BASE_DIR / "var"))).resolve()
DATA_DIR.mkdir(parents=True, exist_ok=True)

# --- safety -----------------------------------------------------------------------------------------
DEBUG = env.bool("DEBUG", default=False)
ALLOWED_HOSTS = env.list("ALLOWED_HOSTS", default=["127.0.0.1", "localhost"])
HTTPS = env.bool("HTTPS", default=False)
SECRET_KEY = env.str("SECRET_KEY", default="") or stored_secret(DATA_DIR / "secret_key")

PROXIES = env.int("PROXIES", default=0)  # of our own, in front of this server

SECURE_SSL_REDIRECT = HTTPS
SECURE_REDIRECT_EXEMPT = ["^alive/$", "^ready/$"]  # the machine itself sends these without a proxy in between
SESSION_COOKIE_SECURE = HTTPS
CSRF_COOKIE_SECURE = HTTPS
CSRF_FAILURE_VIEW = "servicedesk.error_pages.form_refused"
SECURE_HSTS_SECONDS = 365 * 24 * 3600 if HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = HTTPS
SECURE_HSTS_PRELOAD = HTTPS
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if HTTPS else None
SECURE_REFERRER_POLICY = "same-origin"
SESSION_ENGINE = "servicedesk.accounts.sessions"
SESSION_COOKIE_AGE = 14 * 24 * 3600
SESSION_COOKIE_HTTPONLY = True
X_FRAME_OPTIONS = "DENY"
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF],
        "font-src": [SELF],
        "connect-src": [SELF],
        "form-action": [SELF],
        "manifest-src": [SELF],
        "base-uri": [NONE],
        "frame-ancestors": [NONE],
    }
}

# --- parts ------------------------------------------------------------------------------------------
INSTALLED_APPS = [
    "servicedesk.core",
    "servicedesk.accounts",
    "units",
    "schedules",
    "servicedesk.calls",
    "servicedesk.reports",
    "servicedesk.imports",
    "servicedesk.privacy",
    "servicedesk.backup",
    "servicedesk.portal",
    "servicedesk.office",
    "servicedesk.field",
    "servicedesk.demo",
    "django_htmx",
    "django_linear_migrations",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "servicedesk.core.logs.request_log.RequestLogMiddleware",
    "csp.middleware.CSPMiddleware",
    "servicedesk.accounts.sessions.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "servicedesk.accounts.body_sizes.BodySizeMiddleware",  # before anything reads a body
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "servicedesk.accounts.middleware.SignedOutMiddleware",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "servicedesk.core.web.middleware.PageSourceMiddleware",
    "servicedesk.reports.caching.mixing.MixingMiddleware",
]

ROOT_URLCONF = "servicedesk.urls"
WSGI_APPLICATION = "servicedesk.wsgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": False,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "servicedesk.core.web.context.base_context",
            ],
            "loaders": [
                (
                    "django.template.loaders.cached.Loader",
                    ["django.template.loaders.filesystem.Loader"],
                ),
            ]
            if not DEBUG
            else ["django.template.loaders.filesystem.Loader"],
            "builtins": [
                "django.templatetags.static",
                "units.templatetags.measures",
                "servicedesk.accounts.templatetags.rights",
                "servicedesk.core.templatetags.wording",
            ],
        },
    },
]

# --- data -------------------------------------------------------------------------------------------
POSTGRES_OPTIONS = env.str("POSTGRES_OPTIONS", default="-c jit=off -c work_mem=64MB")
DATABASES = {"default": env.db_url("DATABASE_URL", default=f"sqlite:///{DATA_DIR / 'sashkeep.sqlite3'}")}
if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    DATABASES["default"]["ENGINE"] = "servicedesk.core.database.sqlite"
    DATABASES["default"]["OPTIONS"] = {
        "transaction_mode": "IMMEDIATE",  # a writer waits for its turn instead of failing
        "timeout": 20,
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; PRAGMA cache_size=-65536;",
    }
else:
    DATABASES["default"]["CONN_MAX_AGE"] = env.int("CONN_MAX_AGE", default=60)
    DATABASES["default"]["CONN_HEALTH_CHECKS"] = True
    INSTALLED_APPS.append("django.contrib.postgres")  # loads its driver, which nobody needs on SQLite
    # Figures aggregate whole fleets: compiling such a query takes longer than running it, and sorting a
    # million rows in little memory spills to the disk. (If a pooler refuses start options: set none.)
    DATABASES["default"].setdefault("OPTIONS", {})["options"] = POSTGRES_OPTIONS
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
INCOMING_DIR = DATA_DIR / "incoming"
PHOTO_DIR = DATA_DIR / "photos"
BACKUP_DIR = env.str("BACKUP_DIR", default="")  # where the clock puts a backup every night
BACKUP_KEEP = env.int("BACKUP_KEEP", default=14)
# Retention of personal data in days; 0 for unlimited.
KEEP_NOTIFICATIONS_DAYS = env.int("KEEP_NOTIFICATIONS_DAYS", default=730)
KEEP_CALLERS_DAYS = env.int("KEEP_CALLERS_DAYS", default=0)
KEEP_PHONE_RECORDS_DAYS = env.int("KEEP_PHONE_RECORDS_DAYS", default=400)
KEEP_FILES_DAYS = env.int("KEEP_FILES_DAYS", default=90)
DATA_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024
FILE_UPLOAD_MAX_MEMORY_SIZE = 1024 * 1024
IMPORT_MAX_BYTES = env.int("IMPORT_MAX_MB", default=500) * 1024 * 1024

# --- messages ---------------------------------------------------------------------------------------
EMAIL_BACKEND = ""  # without a mail server messages wait
if email_url := env.str("EMAIL_URL", default=""):
    email = env.email_url_config(email_url)
    EMAIL_BACKEND = email["EMAIL_BACKEND"]
    EMAIL_HOST, EMAIL_PORT = email["EMAIL_HOST"], email["EMAIL_PORT"]
    EMAIL_HOST_USER, EMAIL_HOST_PASSWORD = email["EMAIL_HOST_USER"], email["EMAIL_HOST_PASSWORD"]
    EMAIL_USE_TLS, EMAIL_USE_SSL = email.get("EMAIL_USE_TLS", False), email.get("EMAIL_USE_SSL", False)
    EMAIL_FILE_PATH = f"/{email['EMAIL_FILE_PATH']}"  # filemail:///srv/letters names a folder from the root
EMAIL_TIMEOUT = 20
MAIL_FROM_ADDRESS = env.str("MAIL_FROM_ADDRESS", default="desk@localhost.invalid")
REMIND_DAYS = env.int("REMIND_DAYS", default=2)

# --- people -----------------------------------------------------------------------------------------
AUTH_USER_MODEL = "accounts.User"
LOGIN_URL = "accounts:sign_in"
LOGIN_REDIRECT_URL = "office:home"
LOGOUT_REDIRECT_URL = "accounts:sign_in"
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
PASSWORD_RESET_TIMEOUT = 3 * 24 * 3600  # validity of an invitation's link
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {
        "NAME": "django.contrib.auth.password_validation.MinimumLengthValidator",
        "OPTIONS": {"min_length": 10},
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]

# --- words and files --------------------------------------------------------------------------------
LANGUAGE_CODE = env.str("LOCALE", default="en-us").lower()  # how dates and times are written
if LANGUAGE_CODE not in ("en-us", "en-gb"):
    raise ImproperlyConfigured(f"LOCALE is en-us or en-gb, not {LANGUAGE_CODE}.")
USE_I18N = True  # Django writes days and times by language only with this
FORMAT_MODULE_PATH = "servicedesk.formats"
USE_TZ = True
STATIC_URL = "static/"
STATIC_ROOT = DATA_DIR / "static"
STATICFILES_DIRS = [BASE_DIR / "servicedesk" / "static"]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"
        if DEBUG
        else "servicedesk.core.web.static_files.StaticFilesStorage"
    },
}

# --- periodic work ----------------------------------------------------------------------------------
REDIS_URL = env.str("REDIS_URL", default="")
# Small matrices are multiplied faster on one core than on all, where others wait for them.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # read when numpy is loaded, which is later
# Figures are cached until the records they are made of change (servicedesk/reports/caching/figures.py).
FIGURES_DIR = DATA_DIR / "figures"  # shared by the web workers, and made anew where it is gone
FIGURES_APART_FROM = env.int("FIGURES_APART_FROM", default=20_000)  # units
_REDIS = {
    "BACKEND": "django.core.cache.backends.redis.RedisCache",
    "LOCATION": REDIS_URL,
    "OPTIONS": {"socket_connect_timeout": 1, "socket_timeout": 5},
}
CACHES: dict[str, dict[str, Any]] = {
    "default": _REDIS
    if REDIS_URL
    else {"BACKEND": "django.core.cache.backends.locmem.LocMemCache", "OPTIONS": {"MAX_ENTRIES": 200}},
    "figures": _REDIS
    if REDIS_URL
    else {
        "BACKEND": "django.core.cache.backends.filebased.FileBasedCache",
        "LOCATION": FIGURES_DIR,
        "OPTIONS": {"MAX_ENTRIES": 200},
    },
}

CELERY_BROKER_URL = REDIS_URL or "memory://"
CELERY_TASK_ALWAYS_EAGER = not REDIS_URL  # the embedded default: tasks run in the process that asks
CELERY_TASK_EAGER_PROPAGATES = False
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
# A task that a killed worker did not finish goes to another after this many seconds. A task that takes longer
# is delivered a second time while it runs, so every task is safe to run twice at once.
HANDED_OUT_AGAIN_AFTER = 600
# A queued task expires after this long: far later than it may come back from a killed worker.
NOT_TAKEN_UP = 3 * HANDED_OUT_AGAIN_AFTER
CELERY_BROKER_TRANSPORT_OPTIONS = {
    "visibility_timeout": HANDED_OUT_AGAIN_AFTER,
    "socket_connect_timeout": 2,
    "retry_policy": {"max_retries": 1, "timeout": 1.0},
}
CELERY_TASK_PUBLISH_RETRY = False  # a missing broker must not hold up a page; the clock catches up
CELERY_TIMEZONE = TIME_ZONE
CELERY_BEAT_SCHEDULE = {
    "raise what is due": {
        "task": "schedules.raise_due",
        "schedule": crontab(minute="5", hour="*"),
        "options": {"expires": 3600},
    },
    "keep the failure log": {
        "task": "reports.keep_failure_log",
        "schedule": crontab(minute="30", hour="2"),
        "options": {"expires": 20 * 3600},
    },
    "make small pictures": {
        "task": "calls.make_thumbnails",
        "schedule": timedelta(minutes=5),
        "options": {"expires": NOT_TAKEN_UP},
    },
    "clear up files of photos": {
        "task": "calls.sweep_photo_files",
        "schedule": crontab(minute="45", hour="3"),
        "options": {"expires": 20 * 3600},
    },
    "reckon how long work takes": {
        "task": "calls.update_service_times",
        "schedule": crontab(minute="45", hour="2"),
        "options": {"expires": 20 * 3600},
    },
    "watch lots and types": {
        "task": "reports.run_surveillance",
        "schedule": crontab(minute="0", hour="3"),
        "options": {"expires": 20 * 3600},
    },
    "compute figures": {
        "task": "reports.compute_figures",
        # Pages of a large fleet wait for this where no worker takes them up at once.
        "schedule": timedelta(seconds=60 if REDIS_URL else 5),
        "options": {"expires": NOT_TAKEN_UP},
    },
    "send letters": {
        "task": "schedules.send_notifications",
        "schedule": timedelta(seconds=60),
        "options": {"expires": NOT_TAKEN_UP},
    },
    "plan weeks": {
        "task": "schedules.solve_weeks",
        # A week asked for on a page waits for this where no worker takes it up at once.
        "schedule": timedelta(seconds=60 if REDIS_URL else 5),
        "options": {"expires": NOT_TAKEN_UP},
    },
    "forget what is old": {
        "task": "privacy.apply_retention",
        "schedule": crontab(minute="30", hour="3"),
        "options": {"expires": 20 * 3600},
    },
    "back up": {
        "task": "backup.back_up",
        "schedule": crontab(minute="15", hour="1"),
        "options": {"expires": 20 * 3600},
    },
    "go on with imports": {
        "task": "imports.resume_imports",
        # Uploaded files wait for this where no worker takes them up at once.
        "schedule": timedelta(seconds=60 if REDIS_URL else 5),
        "options": {"expires": NOT_TAKEN_UP},
    },
}

# --- logs -------------------------------------------------------------------------------------------
LOG_FORMAT = env.str("LOG_FORMAT", default="plain")
if LOG_FORMAT not in {"plain", "json"}:
    raise ImproperlyConfigured(f"LOG_FORMAT is {LOG_FORMAT!r}: set it to plain or json.")
ERROR_REPORT_TO = env.str("ERROR_REPORT_TO", default="")
LOGGING: dict[str, Any] = {
    "version": 1,
    "disable_existing_loggers": False,
    "filters": {"without data": {"()": "servicedesk.core.logs.formatting.WithoutData"}},
    "formatters": {
        "lines": {
            "()": f"servicedesk.core.logs.formatting.{'JsonLines' if LOG_FORMAT == 'json' else 'PlainLines'}"
        },
    },
    "handlers": {
        "stderr": {"class": "logging.StreamHandler", "formatter": "lines", "filters": ["without data"]},
    },
    "root": {"handlers": ["stderr"], "level": env.str("LOG_LEVEL", default="INFO")},
    "loggers": {
        "django": {"handlers": [], "level": "INFO"},  # Django's own would mail what was typed
        "gunicorn.error": {"handlers": ["stderr"], "propagate": False},
        # In one process, the clock itself reports what its tasks did.
        **({} if REDIS_URL else {"celery.app.trace": {"level": "WARNING"}}),
    },
}
if ERROR_REPORT_TO:
    if not EMAIL_BACKEND:
        raise ImproperlyConfigured("ERROR_REPORT_TO is set, but no mail server: set EMAIL_URL as well.")
    LOGGING["handlers"]["reports"] = {
        "()": "servicedesk.core.logs.error_reports.ErrorReports",
        "filters": ["without data"],
        "to": ERROR_REPORT_TO,
    }
    LOGGING["root"]["handlers"].append("reports")
