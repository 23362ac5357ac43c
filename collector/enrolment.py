"""The gRPC service by which hosts and readers get certificates of the fleet's own authority, and renew them. Rim.

Files are read and written in threads. Refusals say no more than whoever asks may know, and are counted.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable
from typing import Any

import grpc
import grpc.aio

from noonmark.collector.access import Role
from noonmark.collector.access_control import AccessControl
from noonmark.collector.authority import BadRequest, Issued
from noonmark.collector.authority_folder import TOKEN_LASTS, AuthorityFolder, TokenRefused
from noonmark.proto import control
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.convert import BadMessage
from noonmark.proto.noonmark_pb2_grpc import EnrolmentServicer

Context = grpc.aio.ServicerContext[Any, Any]
LONGEST_REQUEST = 16_384
log = logging.getLogger("noonmark.collector.enrolment")


class EnrolmentService(EnrolmentServicer):
    """Signs with the authority in `folder`; None: there is none here."""

    def __init__(
        self, folder: AuthorityFolder | None, access: AccessControl, *, wall_s: Callable[[], float] = time.time
    ) -> None:
        self._folder = folder
        self._access = access
        self._wall_s = wall_s

    async def Enrol(self, request: pb.EnrolRequest, context: Context) -> pb.EnrolReply:  # noqa: N802 - gRPC's name
        """A certificate for a token."""
        folder = await self._authority(context)
        await self._bounded(request.request, context)
        try:
            name = control.check_name("enrol: name", request.name)
            issued, role = await asyncio.to_thread(folder.enrol, request.token, name, request.request, self._wall_s())
        except TokenRefused as error:
            await self._refuse(context, grpc.StatusCode.UNAUTHENTICATED, "enrolment-token", str(error))
            raise AssertionError from error  # abort never returns
        except (BadRequest, BadMessage) as error:
            await self._refuse(context, grpc.StatusCode.INVALID_ARGUMENT, "enrolment-request", str(error))
            raise AssertionError from error
        except OSError as error:
            await self._fail(context, error)
            raise AssertionError from error
        log.info("enrolled", extra={"fields": {"name": name, "role": role.value, "peer": context.peer()}})
        return _reply(folder, issued, name, role)

    async def Renew(self, request: pb.RenewRequest, context: Context) -> pb.EnrolReply:  # noqa: N802
        """A certificate for one who shows one of the same authority, made for one name in one role."""
        folder = await self._authority(context)
        await self._bounded(request.request, context)
        who = self._access.certificate_of(context)
        if who is None or len(who.names) != 1 or len(who.roles) != 1:
            reason = "only a certificate with one name and one role is renewed here"
            await self._refuse(context, grpc.StatusCode.FAILED_PRECONDITION, "enrolment-request", reason)
            raise AssertionError
        name, role = who.names[0], next(iter(who.roles))
        try:
            issued = await asyncio.to_thread(folder.renew, name, role, request.request, self._wall_s())
        except BadRequest as error:
            await self._refuse(context, grpc.StatusCode.INVALID_ARGUMENT, "enrolment-request", str(error))
            raise AssertionError from error
        except OSError as error:
            await self._fail(context, error)
            raise AssertionError from error
        log.info("renewed", extra={"fields": {"name": name, "role": role.value}})
        return _reply(folder, issued, name, role)

    async def Issue(self, request: pb.IssueRequest, context: Context) -> pb.IssueReply:  # noqa: N802
        """A one-time token."""
        folder = await self._authority(context)
        try:
            name = control.check_name("issue: name", request.name)
            role = Role(request.role or Role.AGENT.value)
        except ValueError as error:
            await context.abort(grpc.StatusCode.INVALID_ARGUMENT, str(error))
            raise AssertionError from error
        lasts = request.valid_ns / 1e9 or TOKEN_LASTS
        try:
            token, expires_s = await asyncio.to_thread(folder.new_token, name, role, self._wall_s(), lasts=lasts)
        except OSError as error:
            await self._fail(context, error)
            raise AssertionError from error
        by = self._access.certificate_of(context)
        log.info("token made", extra={"fields": {"name": name, "role": role.value, "by": by, "peer": context.peer()}})
        return pb.IssueReply(token=str(token), expires_s=round(expires_s))

    async def _authority(self, context: Context) -> AuthorityFolder:
        if self._folder is None:
            reason = "this collector has no authority of its own (--authority): certificates come from elsewhere"
            await context.abort(grpc.StatusCode.FAILED_PRECONDITION, reason)
        assert self._folder is not None
        return self._folder

    async def _bounded(self, request: bytes, context: Context) -> None:
        if len(request) > LONGEST_REQUEST:
            reason = f"the certification request is longer than {LONGEST_REQUEST} octets"
            await self._refuse(context, grpc.StatusCode.INVALID_ARGUMENT, "enrolment-request", reason)

    async def _refuse(self, context: Context, code: grpc.StatusCode, kind: str, reason: str) -> None:
        self._access.count(kind)
        self._access.tell("not enrolled", {"peer": context.peer(), "reason": reason})
        await context.abort(code, reason)

    async def _fail(self, context: Context, error: OSError) -> None:
        """A full disk, or a folder that is not ours: whoever asks need not know more than whom to ask."""
        log.error("the authority's folder cannot be used", extra={"fields": {"reason": error}})
        await context.abort(
            grpc.StatusCode.INTERNAL, "the authority's folder cannot be used now: see the collector's log"
        )


def _reply(folder: AuthorityFolder, issued: Issued, name: str, role: Role) -> pb.EnrolReply:
    return pb.EnrolReply(
        certificate=issued.pem,
        authority=folder.authority.pem,
        expires_s=int(issued.expires_s),
        role=role.value,
        name=name,
    )
