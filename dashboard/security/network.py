"""What is said at the start of a page that others in the network can open: addresses, one of them to scan."""

import io
import ipaddress

import ifaddr
import segno


def own_addresses() -> list[str]:
    """List the IPv4 addresses at which others may reach this machine: private first, virtual bridges last."""
    found: list[tuple[bool, bool, str]] = []
    for adapter in ifaddr.get_adapters():
        bridge = adapter.nice_name.startswith(("docker", "br-", "veth", "virbr"))
        for ip in adapter.ips:
            if not isinstance(ip.ip, str):
                continue
            address = ipaddress.ip_address(ip.ip)
            if not address.is_loopback and not address.is_link_local:
                found.append((bridge, not address.is_private, ip.ip))
    return [ip for _, _, ip in sorted(found)]


def qr_code(url: str) -> str:
    """Draw a QR code for a terminal: lines of half blocks."""
    out = io.StringIO()
    segno.make(url, error="m").terminal(out, compact=True, border=2)
    return out.getvalue().rstrip("\n")


def greeting(urls: list[str], pin: str | None, *, tls: bool) -> str:
    """Say how to open the page from elsewhere, with the PIN if one has been made now."""
    lines = [f"Page for this network at {' or '.join(urls)}"] if urls else []
    if urls:
        lines.append(qr_code(urls[0]))
    else:
        lines.append("This machine is in no network yet; join one, and start this again.")
    if pin is not None:
        lines.append(
            f"Operator PIN: {pin}   (write it down: it is told only now; `stokewatch pin` makes another)"
        )
    lines.append("Everybody in the network can watch; who knows the operator PIN can act.")
    if not tls:
        lines.append(
            "Without --tls whoever listens in this network can read along, the PIN too: use it in a network "
            "of your own."
        )
    return "\n".join(lines)
