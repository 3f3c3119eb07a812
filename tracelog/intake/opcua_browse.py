"""What an OPC UA server has to offer for a map: its variables that hold a number."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from asyncua import ua

from tracelog.errors import TracelogError
from tracelog.intake.opcua_link import (
    NODES_AT_ONCE,
    OpcuaLink,
    ServerLost,
    hush_library,
    told_plainly,
)
from tracelog.intake.opcua_map import Security
from tracelog.intake.opcua_nodes import NodeAddress

# Servers of whole plants have more; what is beyond is left out, and that is said.
MOST_NODES = 20_000
_NUMBERS = {
    *("SByte", "Byte", "Int16", "UInt16", "Int32", "UInt32", "Int64", "UInt64"),
    *("Float", "Double"),
}


@dataclass(frozen=True)
class NumberNode:
    """A variable that holds a number now: its node id, its place in the tree, type and value."""

    node: str
    path: str
    kind: str
    value: str


@dataclass(frozen=True)
class Listed:
    """Variables that hold a number, in order of their path; `is_whole`: none was left out."""

    nodes: tuple[NumberNode, ...]
    is_whole: bool


async def list_numbers(url: str, security: Security | None, password: str | None) -> Listed:
    """Walk through the tree of a server below Objects, without the server's own diagnostics.

    Args:
        url, security, password: as for `OpcuaLink`.

    Raises:
        TracelogError: it cannot be reached.
        ServerRefused: it does not let us in, or is not the one that is trusted.
    """
    hush_library()
    link = OpcuaLink(url, security, password)
    try:
        await link.connect()
        paths, is_whole = await _walk(link)
        nodes = await _numbers(link, paths)
    except ServerLost as problem:
        raise TracelogError(problem.told_of(url)) from problem
    finally:
        await link.leave()
    return Listed(tuple(sorted(nodes, key=lambda one: (one.path, one.node))), is_whole)


async def _walk(link: OpcuaLink) -> tuple[dict[NodeAddress, str], bool]:
    """Paths of all variables, and whether these are all."""
    objects = ua.NodeId(ua.ObjectIds.ObjectsFolder)
    seen = {objects, ua.NodeId(ua.ObjectIds.Server)}
    variables: dict[NodeAddress, str] = {}
    layer = [(objects, "")]
    while layer:
        below = []
        for start in range(0, len(layer), NODES_AT_ONCE):
            part = layer[start : start + NODES_AT_ONCE]
            for path, one in await _below(link, part):
                if one.NodeId in seen:
                    continue
                if len(seen) >= MOST_NODES:
                    return variables, False
                seen.add(one.NodeId)
                name = f"{path}/{one.BrowseName.Name}".lstrip("/")
                below.append((one.NodeId, name))
                if one.NodeClass == ua.NodeClass.Variable:
                    address = NodeAddress(one.NodeId.NamespaceIndex, one.NodeId.Identifier)
                    variables[address] = name
        layer = below
    return variables, True


async def _below(link: OpcuaLink, above: Sequence[tuple[Any, str]]) -> list[tuple[str, Any]]:
    """What stands directly below nodes, with the path of the one that it stands below."""
    asked = ua.BrowseParameters()
    for node_id, _path in above:
        wanted = ua.BrowseDescription(node_id, ua.BrowseDirection.Forward)
        wanted.ReferenceTypeId = ua.NodeId(ua.ObjectIds.HierarchicalReferences)
        wanted.NodeClassMask = ua.NodeClass.Object | ua.NodeClass.Variable
        wanted.ResultMask = ua.BrowseResultMask.All
        asked.NodesToBrowse.append(wanted)
    found: list[tuple[str, Any]] = []
    async with told_plainly():
        answers = await link.client.uaclient.browse(asked)
        for (_node_id, path), answer in zip(above, answers, strict=True):
            references = [*(answer.References or [])]
            references += await _rest(link, answer.ContinuationPoint)
            found += [
                (path, one) for one in references if not getattr(one.NodeId, "ServerIndex", 0)
            ]
    return found


async def _rest(link: OpcuaLink, point: bytes | None) -> list[Any]:
    """What a server did not say at once."""
    references: list[Any] = []
    while point:
        more = ua.BrowseNextParameters(ContinuationPoints=[point], ReleaseContinuationPoints=False)
        (answer,) = await link.client.uaclient.browse_next(more)
        references += answer.References or []
        point = answer.ContinuationPoint
    return references


async def _numbers(link: OpcuaLink, paths: dict[NodeAddress, str]) -> list[NumberNode]:
    nodes = list(paths)
    await link.find(nodes)
    numbers = []
    for node, told in zip(nodes, await link.values(nodes), strict=True):
        value = told.Value
        if value is not None and not value.is_array and value.VariantType.name in _NUMBERS:
            kind, shown = value.VariantType.name, str(value.Value)
            numbers.append(NumberNode(node.text, paths[node], kind, shown))
    return numbers
