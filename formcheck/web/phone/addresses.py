"""The one address of this machine on which a phone may find it."""

import ipaddress
import socket

from formcheck.model.errors import UsageError


def local_addresses() -> tuple[str, ...]:
    """This machine's IPv4 addresses in local networks, of interfaces that are up.

    Left out: this machine's own (127...), those that a system gives itself where it got none
    (169.254...), and addresses of the open internet.
    """
    import psutil

    is_up = {name: of.isup for name, of in psutil.net_if_stats().items()}
    found = [
        of.address
        for name, addresses in psutil.net_if_addrs().items()
        if is_up.get(name)
        for of in addresses
        if of.family == socket.AF_INET and _is_local(of.address)
    ]
    return tuple(sorted(set(found), key=ipaddress.ip_address))


def phone_address(asked: str | None = None) -> str:
    """The address that the way for phones is bound to: the asked one, or the only one there is.

    Raises UsageError when there is none or a choice of several, or when the asked one is not
    this machine's own in a local network.
    """
    found = local_addresses()
    listed = ", ".join(found)
    if asked is not None:
        if asked not in found:
            has = f"it has {listed}" if found else "it has none"
            raise UsageError(
                f"--phone-address {asked}: is no address of this computer in a local network; {has}"
            )
        return asked
    if not found:
        raise UsageError(
            "--phone: this computer has no address in a local network; connect it to the network "
            "that the phone is in"
        )
    if len(found) > 1:
        raise UsageError(
            f"--phone: this computer has the addresses {listed}; name the one of the network that "
            "the phone is in with --phone-address"
        )
    return found[0]


def is_of_a_local_network(address: str) -> bool:
    """Whether a client is in a local network, and not somewhere on the open internet."""
    try:
        return ipaddress.ip_address(address).is_private
    except ValueError:
        return False


def _is_local(address: str) -> bool:
    ip = ipaddress.ip_address(address)
    return ip.is_private and not (ip.is_loopback or ip.is_link_local or ip.is_unspecified)
