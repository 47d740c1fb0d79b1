"""Models of users, their sessions, their MFA devices, and failed sign-ins."""

from .mfa_devices import MfaDevice
from .sign_ins import FailedSignIn
from .user_sessions import UserSession
from .users import Role, User

__all__ = ["FailedSignIn", "MfaDevice", "Role", "User", "UserSession"]
