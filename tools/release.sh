#!/usr/bin/env bash
# Builds a release into release/: tools/release.sh VERSION. `make release` takes the version from a git tag, and builds the site, which
# is in dist/, first.
#
# The programs are static, have no path of this machine in them, and are the same bytes wherever the same Go builds them.
set -euo pipefail
version=${1:-}
if ! [[ $version =~ ^v[0-9]+\.[0-9]+\.[0-9]+(-[0-9A-Za-z.-]+)?$ ]]; then
	echo "version \"$version\": it must be like v1.2.3 or v1.2.3-rc.1 (semver.org): tag the commit, or make release VERSION=v1.2.3" >&2
	exit 2
fi
cd "$(dirname "$0")/.."
go=${GO:-go}
out=release
time=$(git log -1 --format=%ct)
rm -rf "$out"
mkdir "$out"

# With this the programs for arm64 have vectors; those for amd64 have them without it.
export GOTOOLCHAIN=go1.27.3 GOEXPERIMENT=simd

systems="linux/amd64 linux/arm64 darwin/amd64 darwin/arm64 windows/amd64 windows/arm64"
export CGO_ENABLED=0

# The licenses of what is built into the programs go beside them, and into them for --licenses. The site has its own.
# shellcheck disable=SC2086
GO=$go node site/notices.mjs ./cmd/twinplate $systems >"$out/LICENSES.txt"
overlay=$(mktemp)
trap 'rm -f "$overlay"' EXIT
echo "{\"Replace\": {\"$PWD/cmd/twinplate/licenses.txt\": \"$PWD/$out/LICENSES.txt\"}}" >"$overlay"

for system in $systems; do
	export GOOS=${system%/*} GOARCH=${system#*/}
	name=twinplate-$version-$GOOS-$GOARCH
	[ "$GOOS" != windows ] || name=$name.exe
	$go build -trimpath -buildvcs=false -overlay="$overlay" -ldflags="-s -w -X main.released=$version" -o "$out/$name" ./cmd/twinplate
	echo "$name"
done
unset GOOS GOARCH

cp LICENSE CHANGELOG.md "$out"

tar --sort=name --mtime="@$time" --owner=0 --group=0 --numeric-owner --transform='s,^\.,site,' -C dist -cf - . | gzip -n >"$out/twinplate-$version-site.tar.gz"

(cd "$out" && sha256sum -- * >SHA256SUMS)
echo "$out has $(wc -l <"$out/SHA256SUMS") files and their checksums"
