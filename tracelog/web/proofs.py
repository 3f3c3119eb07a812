"""The proof that a form began on a page of ours: random, of one session, signed with SHA-256."""

import hashlib
import hmac
import secrets

from flask import Flask, current_app, request, session
from flask_wtf.csrf import CSRFProtect, same_origin
from itsdangerous import BadData, URLSafeTimedSerializer

_FIELD = "csrf_token"


def form_proof() -> str:
    """The proof of this session, for a form's hidden field or the header ``X-CSRFToken``.

    The session keeps 256 random bits; the proof is these, signed with the secret key
    (HMAC-SHA-256) and the time, so that it looks different on each page.
    """
    if not isinstance(session.get(_FIELD), str):
        session[_FIELD] = secrets.token_hex(32)
    return str(_signer().dumps(session[_FIELD]))


def is_form_proof(given: str | None) -> bool:
    """Whether that is a proof of this session, signed with the secret key of today."""
    kept = session.get(_FIELD)
    if not given or not isinstance(kept, str):
        return False
    try:
        told = _signer().loads(given)
    except BadData:
        return False
    return isinstance(told, str) and hmac.compare_digest(kept.encode(), told.encode())


def _signer() -> URLSafeTimedSerializer:
    return URLSafeTimedSerializer(
        str(current_app.secret_key),
        salt="tracelog-form",
        signer_kwargs={"key_derivation": "hmac", "digest_method": hashlib.sha256},
    )


class FormProofs(CSRFProtect):
    """The library's protection of forms with proofs of ours, since its own are HMAC-SHA-1."""

    def init_app(self, app: Flask) -> None:
        """Give an application's pages their proofs."""
        super().init_app(app)
        app.jinja_env.globals["csrf_token"] = form_proof
        app.context_processor(lambda: {"csrf_token": form_proof})

    def protect(self, apply_exemptions: bool = False) -> None:  # noqa: ARG002
        """Refuse this request if its proof is not of this session; no view is exempt.

        Raises:
            CSRFError: it has none or a wrong one, or came over https from a page elsewhere.
        """
        if not is_form_proof(self._get_csrf_token()):
            self._error_response("The proof of the form is missing or of another session.")
        if request.is_secure and not same_origin(
            request.referrer or "", f"https://{request.host}/"
        ):
            self._error_response("The form was on a page elsewhere.")
