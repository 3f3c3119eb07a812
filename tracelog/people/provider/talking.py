"""Talking with an identity provider: authorization code flow with PKCE (OpenID Connect Core 1.0).

Requests, proofs and the shape of tokens are the libraries' trade; what is checked is named here,
since whoever passes is signed in: the signature by a key of the provider's with an algorithm of
ours (never `none`, never a shared secret), issuer, audience, authorised party, expiry, nonce, and
the issuer of the answer (RFC 9207), so that no other provider's answer is taken for this one's;
and how strongly the provider made sure of them, where the settings demand something.
"""

import json
import secrets
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from threading import Lock
from typing import Any

from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.people.provider.settings import Provider
from tracelog.people.provider.strength import refuse_weak

ALGORITHMS = ("RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512")
# How long somebody may take at the provider, and how far its clock may be off.
FLOW_LASTS = timedelta(minutes=10)
LEEWAY_SECONDS = 60
_TIMEOUT_SECONDS = 10
_KEPT_SECONDS = 3600.0
# Keys are fetched anew for a name of a key that is not known, but not for each such token.
_AGAIN_AFTER_SECONDS = 10.0
_LARGEST_BYTES = 1024 * 1024


class ProviderFault(TracelogError):
    """The provider cannot be reached, or its answer is not to be trusted."""

    status = 400


@dataclass(frozen=True)
class Flow:
    """One sign-in under way, as the browser's session keeps it.

    `linking`: the account's id; `anew`: the provider is to ask for a proof now.
    """

    state: str
    nonce: str
    verifier: str
    began: int
    onward: str
    linking: str = ""
    anew: bool = False

    def kept(self) -> dict[str, Any]:
        """As it goes into the session."""
        return asdict(self)


@dataclass(frozen=True)
class Vouched:
    """Whom the provider vouches for."""

    issuer: str
    subject: str
    claims: Mapping[str, Any]


class Talker:
    """What one process knows of its provider; safe for several threads."""

    def __init__(self, provider: Provider) -> None:
        self.provider = provider
        self._lock = Lock()
        self._metadata: tuple[float, dict[str, Any]] | None = None
        self._keys: tuple[float, Any] | None = None

    def begin(
        self,
        redirect_uri: str,
        onward: str,
        now: datetime,
        linking: str = "",
        *,
        anew: bool = False,
    ) -> Any:
        """The address to send the browser to, and the flow to keep meanwhile.

        Raises:
            ProviderFault: the provider cannot be reached.
        """
        from authlib.common.security import generate_token

        flow = Flow(
            state=secrets.token_urlsafe(32),
            nonce=secrets.token_urlsafe(32),
            verifier=generate_token(64),
            began=int(now.timestamp()),
            onward=onward,
            linking=linking,
            anew=anew,
        )
        endpoint = self.metadata()["authorization_endpoint"]
        url, _state = self._client(redirect_uri).create_authorization_url(
            endpoint,
            state=flow.state,
            nonce=flow.nonce,
            code_verifier=flow.verifier,
            **self.provider.strength.asked(anew=anew),
        )
        return url, flow

    def finish(
        self, flow: Flow, redirect_uri: str, answer: Mapping[str, str], now: datetime
    ) -> Vouched:
        """Take the provider's answer, which the browser brought.

        Raises:
            ProviderFault: it is not an answer to this flow, or not to be trusted.
            NotAllowed: the provider does not say that the sign-in was as strong as it must be.
        """
        metadata = self.metadata()
        if not secrets.compare_digest(answer.get("state", "").encode(), flow.state.encode()):
            raise ProviderFault(_("this is no answer to your sign-in; begin once more"))
        if not 0 <= now.timestamp() - flow.began <= FLOW_LASTS.total_seconds():
            raise ProviderFault(_("that took too long; begin once more"))
        named = answer.get("iss")
        is_told = bool(metadata.get("authorization_response_iss_parameter_supported"))
        if (named is None and is_told) or (named is not None and named != self.provider.issuer):
            raise ProviderFault(_("the answer is from another provider; begin once more"))
        if "error" in answer or not answer.get("code"):
            raise ProviderFault(_("the provider did not sign you in; begin once more"))
        token = self._token(metadata, flow, redirect_uri, answer["code"])
        return self._vouched(token, flow, now)

    def metadata(self) -> dict[str, Any]:
        """What the provider says of itself, an hour old at most.

        Raises:
            ProviderFault: it cannot be reached, or names itself otherwise.
        """
        with self._lock:
            if self._metadata is None or time.monotonic() - self._metadata[0] > _KEPT_SECONDS:
                address = self.provider.issuer.rstrip("/") + "/.well-known/openid-configuration"
                found = self._get(address)
                if found.get("issuer") != self.provider.issuer:
                    raise ProviderFault(
                        _("the identity provider names itself otherwise than TRACELOG_OIDC_ISSUER")
                    )
                for needed in ("authorization_endpoint", "token_endpoint", "jwks_uri"):
                    if not isinstance(found.get(needed), str):
                        raise ProviderFault(_("the identity provider cannot be used just now"))
                self._metadata = (time.monotonic(), found)
            return self._metadata[1]

    def _token(
        self, metadata: Mapping[str, Any], flow: Flow, redirect_uri: str, code: str
    ) -> Mapping[str, Any]:
        from authlib.common.errors import AuthlibBaseError
        from requests import RequestException

        try:
            token: Mapping[str, Any] = self._client(redirect_uri).fetch_token(
                metadata["token_endpoint"],
                grant_type="authorization_code",
                code=code,
                code_verifier=flow.verifier,
                timeout=_TIMEOUT_SECONDS,
                allow_redirects=False,
            )
        except (AuthlibBaseError, RequestException, ValueError) as problem:
            raise ProviderFault(_("the provider did not sign you in; begin once more")) from problem
        if not isinstance(token.get("id_token"), str):
            raise ProviderFault(_("the provider did not sign you in; begin once more"))
        return token

    def _vouched(self, token: Mapping[str, Any], flow: Flow, now: datetime) -> Vouched:
        from authlib.oidc.core import CodeIDToken
        from joserfc import jwt
        from joserfc.errors import InvalidKeyIdError, JoseError

        provider = self.provider
        options = {
            "iss": {"essential": True, "value": provider.issuer},
            "aud": {"essential": True, "value": provider.client_id},
            "exp": {"essential": True},
            "sub": {"essential": True},
            "nonce": {"essential": True, "value": flow.nonce},
        }
        known = {
            "nonce": flow.nonce,
            "client_id": provider.client_id,
            "access_token": token.get("access_token"),
        }
        try:
            try:
                read = jwt.decode(token["id_token"], self._key_set(), algorithms=[*ALGORITHMS])
            except InvalidKeyIdError:
                read = jwt.decode(
                    token["id_token"], self._key_set(anew=True), algorithms=[*ALGORITHMS]
                )
            claims = CodeIDToken(read.claims, read.header, options, known)
            claims.validate(now=int(now.timestamp()), leeway=LEEWAY_SECONDS)
        except (JoseError, ValueError, TypeError, KeyError) as problem:
            raise ProviderFault(
                _("what the provider says of you is not to be trusted; begin once more")
            ) from problem
        subject = claims["sub"]
        if not isinstance(subject, str) or not 0 < len(subject) <= 255:
            raise ProviderFault(_("the provider does not say who you are"))
        since = datetime.fromtimestamp(flow.began, now.tzinfo) if flow.anew else None
        refuse_weak(provider.strength, claims, now, since)
        return Vouched(provider.issuer, subject, dict(claims))

    def _key_set(self, *, anew: bool = False) -> Any:
        from joserfc.jwk import KeySet

        address = self.metadata()["jwks_uri"]
        with self._lock:
            fetched_at, keys = self._keys or (float("-inf"), None)
            age = time.monotonic() - fetched_at
            if age > _KEPT_SECONDS or (anew and age > _AGAIN_AFTER_SECONDS):
                found: Any = self._get(address)
                keys = KeySet.import_key_set(found)
                self._keys = (time.monotonic(), keys)
            return keys

    def _client(self, redirect_uri: str) -> Any:
        from authlib.integrations.requests_client import OAuth2Session

        client = OAuth2Session(
            self.provider.client_id,
            self.provider.client_secret,
            scope="openid profile",
            redirect_uri=redirect_uri,
            code_challenge_method="S256",
        )
        if self.provider.ca_file:
            client.verify = self.provider.ca_file
        return client

    def _get(self, address: str) -> dict[str, Any]:
        import requests

        try:
            with requests.get(
                address,
                timeout=_TIMEOUT_SECONDS,
                allow_redirects=False,
                verify=self.provider.ca_file or True,
                stream=True,
            ) as answer:
                answer.raise_for_status()
                raw = answer.raw.read(_LARGEST_BYTES + 1, decode_content=True)
                if answer.status_code != 200 or len(raw) > _LARGEST_BYTES:
                    raise ValueError("not the document that was asked for")
                found = json.loads(raw)
        except (requests.RequestException, ValueError, OSError) as problem:
            raise ProviderFault(_("the identity provider cannot be used just now")) from problem
        if not isinstance(found, dict):
            raise ProviderFault(_("the identity provider cannot be used just now"))
        return found
