"""READ-ME-FIRST.txt: how to open a package and check it with standard tools alone, in plain English.

Knows the three commands of the chain seal -> tag manifest -> manifest -> files, and what they do not notice. Refuses
to know this package's content: the text depends on its name only.
"""

from __future__ import annotations

from beadroll.package import layout

SEAL_COMMAND = (
    "openssl cms -verify -binary -inform DER -in {seals}/{role}.p7s \\\n"
    "    -content {tag_manifest} -CAfile root.pem -purpose any -out /dev/null"
)
"""``-binary`` is needed: without it openssl converts line ends before it compares, and the check fails."""
TAG_COMMAND = f"sha512sum -c --strict {layout.TAG_MANIFEST}"
FILES_COMMAND = f"sha512sum -c --strict --quiet {layout.MANIFEST}"

_TEXT = """\
READ ME FIRST
=============

This folder is a delivery package: weld radiographs and the records that
belong to them, handed over under the name

    {name}

Everything needed to read it lies inside it, in open formats. Start with
data/index.html in a web browser, or data/index.json for programs. Each weld has
a folder under data/welds/. Radiographs are DICOM files. The files under
data/catalog/ are Parquet tables, one row per weld, exposure, reading and so on.
What the crews delivered lies as it came under data/as-delivered/. The
schemas under data/schemas/ say what each field means.


HOW TO CHECK IT
---------------

You need openssl and sha512sum, and the root certificate of the party that
sealed the package. Get that certificate, or its fingerprint, from the party by
another way than this package, and save it as root.pem. If this is a ZIP, unpack
it first. Then run these three commands in this folder, in this order; on macOS
write "shasum -a 512" in place of "sha512sum".

1. Is the seal good, and does it belong to this package? One file per
   signature lies in {seals}/; run it for each of them.

{seal_command}

   It must say "CMS Verification successful". This is a check against root.pem
   only: whether a certificate has been withdrawn, and when the seal was made,
   needs a fuller check. Where {seals}/ has a .json file of the same name, that
   party signed the statement in it; then write that file's name in place of
   {tag_manifest}. The statement names the digests of the tag manifest
   and of the seals that were there.

2. Is the list of files the one that was sealed?

{tag_command}

3. Is every file the one that was listed?

{files_command}

   Every line must end in OK; the third command is silent when all is well.

The chain holds only as a whole: the seal covers {tag_manifest},
that file covers {manifest} and the other files beside it, and
{manifest} covers every file under data/.


WHAT THESE COMMANDS DO NOT NOTICE
---------------------------------

* Files that were added. Compare the number of files with Payload-Oxum in
  bag-info.txt: the digits behind the dot count the files under data/.

      find data -type f | wc -l

* A file missing from a list and from the folder alike. Only the seal shows
  that the list is the one that was signed.
* A seal that was taken away. Ask the other party how many there should be.
* Whether root.pem is really the other party's.

The package is a BagIt 1.0 bag (RFC 8493) and can be checked as one by any
BagIt program. proof/tree.txt holds the RFC 9162 tree over the lines of
{manifest}; with it one file can be shown to belong to this package
without handing over the rest. proof/sizes.txt lists the size of every file.


WHAT THIS PACKAGE IS, AND IS NOT
--------------------------------

It is a record of what was made, read, decided and signed, by whom and when. It
does not judge a weld: acceptance is the decision of the people who signed.
Findings in data/findings.json are consistency checks made while the package
was put together; they replace no reading by a qualified person. A good seal
shows who signed and that nothing was changed since, not that what was signed
is right. Keep the radiographs as they are: a screen, a preview or a copy in
another format is not a substitute for them.
"""


def read_me(name: str, *, role: str = "contractor") -> bytes:
    """Return the text for a package called ``name``, whose first seal is that of ``role``."""
    text = _TEXT.format(
        name=name,
        seals=layout.SEALS,
        manifest=layout.MANIFEST,
        tag_manifest=layout.TAG_MANIFEST,
        seal_command=SEAL_COMMAND.format(seals=layout.SEALS, role=role, tag_manifest=layout.TAG_MANIFEST),
        tag_command=TAG_COMMAND,
        files_command=FILES_COMMAND,
    )
    return text.encode("ascii")
