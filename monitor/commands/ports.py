"""``flowdebt ports``: which serial ports there are, and how to name them."""

from monitor.commands.parameters import JsonFlag


def ports(*, as_json: JsonFlag = False) -> int:
    """List serial ports, and the name under which each is found again.

    Give the name in the first column to watch or feed: a USB adapter is then found by its identity,
    wherever its plug goes. Two adapters of one make without serial numbers can only be told apart
    by their device.
    """
    import json
    import sys

    from monitor.commands.port_list import in_words, rows
    from monitor.sources.ports import list_ports

    found = list_ports()
    if as_json:
        sys.stdout.writelines(json.dumps(row) + "\n" for row in rows(found))
    else:
        sys.stdout.write("\n".join(in_words(found)) + "\n")
    return 0
