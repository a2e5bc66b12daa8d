"""Sessions of the OPC UA server, held to reading, to their bounds, and to what is their own.

As asyncua comes, a client's certificate is asked for and looked at no further; sessions have
numbers that anybody can guess, and each has the subscriptions of all others; everybody may register
servers, and write here and there; and what is published goes as often as it is asked for, without
rest.
Source: OPC 10000-4, 5.5 to 5.13 (services and their status codes); from memory.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Any, Final

from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.crypto.permission_rules import User, UserRole
from asyncua.server.internal_server import InternalServer
from asyncua.server.internal_session import InternalSession
from asyncua.server.user_managers import UserManager

from poller.model import limits
from poller.model.text import shown
from poller.publishing.opcua.trust import names_uri
from poller.publishing.opcua.wire import tell

C = ua.StatusCodes
NO_SUBSCRIPTION: Final = 0  # the id of none
RSA_OAEP: Final = "http://www.w3.org/2001/04/xmlenc#rsa-oaep"  # of Basic256Sha256


def _refused(who: str, code: int) -> ServiceError:
    """Told to the poller's log as well."""
    tell(f"{shown(who, limits.SENTENCE_TEXT_MAX)} was refused: {ua.StatusCode(code).name}")
    return ServiceError(code)


class People(UserManager):  # type: ignore[misc]
    """Names to passwords; somebody without a name is told apart by supported_tokens."""

    def __init__(self, passwords: Mapping[str, str]) -> None:
        self._passwords = {name: text.encode() for name, text in passwords.items()}

    def get_user(
        self,
        iserver: Any,
        username: str | None = None,
        password: str | None = None,
        certificate: Any = None,
    ) -> User | None:
        if username is None:
            return User(role=UserRole.Anonymous)
        known = self._passwords.get(username, b"")
        same = hmac.compare_digest(known, (password or "").encode())
        if known and same:
            return User(role=UserRole.User, name=username)
        return None


class Session(InternalSession):  # type: ignore[misc]
    """One client's, with its own subscriptions and no others."""

    def __init__(self, *arguments: Any, external: bool = False, **more: Any) -> None:
        super().__init__(*arguments, **more)
        self.auth_token = ua.NodeId(secrets.token_bytes(32), 1)
        self.external = external
        self._showed: bytes | None = None
        if external:
            self.iserver.register_external_session(self)

    async def create_session(self, params: Any, sockname: Any = None) -> Any:
        self._showed = params.ClientCertificate
        application = params.ClientDescription.ApplicationUri
        if self._showed and not names_uri(self._showed, application):
            raise _refused(f"a client that calls itself {application}", C.BadCertificateUriInvalid)
        return await super().create_session(params, sockname)

    def activate_session(self, params: Any, peer_certificate: bytes | None) -> Any:
        peer_certificate = peer_certificate or None  # b"" where nothing is signed
        try:
            self._check_peer(params, peer_certificate)
            if not self.is_activated() and self.iserver.sessions >= self.iserver.sessions_max:
                raise ServiceError(C.BadTooManySessions)
            return super().activate_session(params, peer_certificate)
        except ServiceError as reason:
            user = getattr(params.UserIdentityToken, "UserName", None)
            raise _refused("a client" if user is None else f"user {user}", reason.code) from reason

    def _check_peer(self, params: Any, peer_certificate: bytes | None) -> None:
        if peer_certificate is None:
            named = isinstance(params.UserIdentityToken, ua.UserNameIdentityToken)
            if named or not self.iserver.in_the_clear:
                raise ServiceError(C.BadSecurityModeRejected)
        elif self._showed != peer_certificate:
            raise ServiceError(C.BadSecurityChecksFailed)

    # What it may ask for.

    async def read(self, params: Any) -> Any:
        _few(params.NodesToRead)
        return await super().read(params)

    async def browse(self, params: Any) -> Any:
        _few(params.NodesToBrowse)
        return await super().browse(params)

    async def translate_browsepaths_to_nodeids(self, params: Any) -> Any:
        _few(params)
        return await super().translate_browsepaths_to_nodeids(params)

    async def write(self, params: Any) -> list[ua.StatusCode]:
        return [ua.StatusCode(C.BadNotWritable) for _ in params.NodesToWrite]

    async def call(self, params: Any) -> list[ua.CallMethodResult]:
        _few(params)
        return [await self.iserver.call_method(self, one) for one in params]

    async def create_subscription(
        self, params: Any, callback: Any, request_callback: Any = None
    ) -> Any:
        least, most = limits.OPCUA_PUBLISHING_MS
        asked = params.RequestedPublishingInterval
        params.RequestedPublishingInterval = min(asked, most) if asked >= least else least
        return await super().create_subscription(params, callback, request_callback)

    async def create_monitored_items(self, params: Any) -> Any:
        _few(params.ItemsToCreate)
        params.SubscriptionId = self._own(params.SubscriptionId)
        have = sum(len(_items(one)) for one in self._subscriptions())
        if have + len(params.ItemsToCreate) > limits.OPCUA_ITEMS_MAX:
            raise ServiceError(C.BadTooManyMonitoredItems)
        for one in params.ItemsToCreate:
            if one.ItemToMonitor.AttributeId == ua.AttributeIds.EventNotifier:
                # a queue of one, as some ask for, loses all of a refresh but its end
                one.RequestedParameters.QueueSize = limits.OPCUA_QUEUE_MAX
        return await super().create_monitored_items(params)

    async def modify_monitored_items(self, params: Any) -> Any:
        params.SubscriptionId = self._own(params.SubscriptionId)
        for one in params.ItemsToModify:
            asked = one.RequestedParameters.QueueSize
            most = limits.OPCUA_QUEUE_MAX
            one.RequestedParameters.QueueSize = min(asked, most) or most
        return await super().modify_monitored_items(params)

    async def delete_monitored_items(self, params: Any) -> Any:
        params.SubscriptionId = self._own(params.SubscriptionId)
        return await super().delete_monitored_items(params)

    async def set_monitoring_mode(self, params: Any) -> Any:
        params.SubscriptionId = self._own(params.SubscriptionId)
        return await super().set_monitoring_mode(params)

    async def set_publishing_mode(self, params: Any) -> Any:
        params.SubscriptionIds = [self._own(one) for one in params.SubscriptionIds]
        return await super().set_publishing_mode(params)

    def modify_subscription(self, params: Any) -> Any:
        params.SubscriptionId = self._own(params.SubscriptionId)
        return super().modify_subscription(params)

    def republish(self, params: Any) -> Any:
        params.SubscriptionId = self._own(params.SubscriptionId)
        return super().republish(params)

    async def delete_subscriptions(self, ids: Sequence[int]) -> Any:
        return await super().delete_subscriptions([self._own(one) for one in ids])

    async def transfer_subscriptions(self, params: Any, callback: Any) -> Any:
        params.SubscriptionIds = [self._own(one) for one in params.SubscriptionIds]
        return await super().transfer_subscriptions(params, callback)

    def publish(self, acks: Any = None) -> Any:
        for one in acks or ():
            one.SubscriptionId = self._own(one.SubscriptionId)
        return super().publish(acks)

    def subscription(self, number: object) -> Any:
        """None: it has no such one."""
        return next(
            (one for one in self._subscriptions() if one.data.SubscriptionId == number), None
        )

    def _subscriptions(self) -> list[Any]:
        every = self.subscription_service.subscriptions.values()
        return [one for one in every if one.session_id == self.session_id]

    def _own(self, number: int) -> int:
        return NO_SUBSCRIPTION if self.subscription(number) is None else number


class Guarded(InternalServer):  # type: ignore[misc]
    """in_the_clear: reading without a name over connections that nothing protects."""

    def __init__(self, *, people: Mapping[str, str], in_the_clear: bool, sessions_max: int) -> None:
        super().__init__(user_manager=People(people))
        self.in_the_clear = in_the_clear
        self.call_method: Callable[[Session, Any], Awaitable[ua.CallMethodResult]]
        self.sessions_max = sessions_max
        nameless = (ua.AnonymousIdentityToken,) if in_the_clear else ()
        self.supported_tokens = (ua.UserNameIdentityToken, *nameless)
        self.allow_remote_admin = False
        self.max_connections = 2 * sessions_max
        self.max_pending_activation_seconds = limits.OPCUA_ACTIVATION_S
        self.max_pending_messages_per_connection = limits.OPCUA_WAITING_MAX
        self.max_session_timeout_ms = limits.OPCUA_SESSION_S * 1_000
        self.max_subscriptions = limits.OPCUA_SUBSCRIPTIONS_MAX
        self.max_monitored_item_queue_size = limits.OPCUA_QUEUE_MAX
        self.max_unacked_messages_per_subscription = limits.OPCUA_UNACKED_MAX

    def create_session(self, name: Any, user: Any = None, external: bool = False) -> Session:
        """name: of the connection, which has one session."""
        for one in list(self._external_sessions.values()):
            if one.name == name and not one.is_activated():
                self.unregister_external_session(one)
        user = user or User(role=UserRole.Anonymous)
        return Session(
            self, self.aspace, self.subscription_service, name, user=user, external=external
        )

    def lookup_external_session(self, auth_token: Any) -> None:
        """No session goes on over another connection: the library would give it, with its user, to
        whoever asks, and ask afterwards whether that was right. Who was away begins anew."""

    @property
    def sessions(self) -> int:
        return sum(one.is_activated() for one in self._external_sessions.values())

    def decrypt_user_token(self, isession: Any, token: Any) -> Any:
        """In clear text only within an encrypted channel, and there is no other kind."""
        if token.EncryptionAlgorithm not in (None, "", RSA_OAEP):
            raise ServiceError(C.BadIdentityTokenInvalid)
        return super().decrypt_user_token(isession, token)

    def register_server(self, server: Any, conf: Any = None) -> None:
        raise ServiceError(C.BadServiceUnsupported)


def _few(asked: Sequence[Any] | None) -> None:
    if len(asked or ()) > limits.OPCUA_OPERATIONS_MAX:
        raise ServiceError(C.BadTooManyOperations)


def _items(subscription: Any) -> Mapping[int, Any]:
    found: Mapping[int, Any] = subscription.monitored_item_srv._monitored_items
    return found
