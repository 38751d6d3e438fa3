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

for system in linux/amd64 linux/arm64 darwin/amd64 darwin/arm64 windows/amd64 windows/arm64; do
	export GOOS=${system%/*} GOARCH=${system#*/}
	name=twinplate-$version-$GOOS-$GOARCH
	[ "$GOOS" != windows ] || name=$name.exe
	CGO_ENABLED=0 $go build -trimpath -buildvcs=false -ldflags="-s -w -X main.released=$version" -o "$out/$name" ./cmd/twinplate
	echo "$name"
done
unset GOOS GOARCH

# The licenses of what is built in, which go with the programs and the site.
{
	echo "twinplate is under the license in LICENSE. It is built with the Go standard library and these modules."
	licenses() { # the name, and the folder
		found=
		for file in "$2"/LICENSE* "$2"/LICENCE* "$2"/COPYING* "$2"/NOTICE* "$2"/PATENTS*; do
			[ ! -f "$file" ] || { found=yes; printf '\n---- %s: %s\n\n' "$1" "$(basename "$file")"; cat "$file"; }
		done
		[ "$found" ] || { echo "no license of $1 in $2" >&2; exit 1; }
	}
	licenses "Go" "$($go env GOROOT)"
	{
		$go list -deps -f '{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}} {{.Dir}}{{end}}{{end}}' ./cmd/twinplate
		GOOS=js GOARCH=wasm $go list -deps -f '{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}} {{.Dir}}{{end}}{{end}}' ./wasm/...
		GOOS=windows $go list -deps -f '{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}} {{.Dir}}{{end}}{{end}}' ./cmd/twinplate
	} | sort -u | while read -r path number dir; do licenses "$path $number" "$dir"; done
	for name in mediabunny fflate; do licenses "$name (the site)" "site/node_modules/$name"; done
} >"$out/THIRD_PARTY_LICENSES.txt"
cp LICENSE CHANGELOG.md "$out"

tar --sort=name --mtime="@$time" --owner=0 --group=0 --numeric-owner --transform='s,^\.,site,' -C dist -cf - . | gzip -n >"$out/twinplate-$version-site.tar.gz"

(cd "$out" && sha256sum -- * >SHA256SUMS)
echo "$out has $(wc -l <"$out/SHA256SUMS") files and their checksums"
