"""Makes the ledger's dictionary anew: `python -m tests.bench.train_dictionary gateway/ledger/dictionaries/0002.zdict`.

A dictionary that has been released is never changed: ledgers hold it, and rows name it. A new one has the next number,
and `codec.py` says which number new rows are made with. It is measured (`bench ledger`) on other sites than these.
"""

import logging
import random
import sys
from pathlib import Path

import orjson
import structlog

from gateway.ledger.codec import LEVEL, zstd
from gateway.resources import config_path
from gateway.tank_record import plain_record
from tests.bench.record_corpus import of_random_sites, of_site_file

__all__ = ["TRAINED_ON", "main"]

TRAINED_ON = range(5_000_000, 5_000_040)
"""Seeds of random sites."""
_BYTES = 65_536
"""Twice as much saves 2 % of the bodies and costs each process as much memory more."""


def main(path: str) -> None:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    records = list(of_random_sites(TRAINED_ON, 4))
    for site in (config_path("demo", "site.yaml"), config_path("site.yaml")):
        records += of_site_file(site, 20, 1)
    samples = []
    for record in records:
        plain = plain_record(record)
        del plain["identity"]
        samples.append(orjson.dumps(plain))
    # Neighbours are alike: in their own order they would count for more than the rest.
    random.Random(1).shuffle(samples)
    made = zstd.finalize_dict(zstd.train_dict(samples, _BYTES), samples, _BYTES, LEVEL)
    Path(path).write_bytes(made.dict_content)
    print(f"{len(samples)} records, {sum(map(len, samples)) / len(samples):,.0f} bytes each; {path} is made")


if __name__ == "__main__":
    main(*sys.argv[1:])
