# Sourced by the scripts that build and run a board's program: words, packages, compilers.
# Set `about` to what the script is about before.

say() { printf '%s\n' "$*"; }
give_up() { say "$about: $*" >&2; exit 2; }
wrong() { say "$about: $*" >&2; exit 1; }

# install PACKAGE...: with apt-get where it may (root on Debian or Ubuntu).
install() {
    if [ "$(id -u)" != 0 ] || ! command -v apt-get >/dev/null; then
        give_up "please install: $*"
    fi
    apt-get update -qq
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$@" >/dev/null
}

# build_board FOLDER TARGET PROGRAM OPTION...: leaves the program's path in $elf. Rustup's toolchain with
# the target if it can be had, else Debian's with the core library from source.
build_board() {
    local board=$1 target=$2 program=$3 version
    shift 3
    if [ -z "${DEBIAN_RUST:-}" ] && command -v rustup >/dev/null &&
        { rustup target list --installed | grep -qx "$target" ||
          timeout 120 rustup target add "$target" >/dev/null 2>&1; }; then
        elf=$board/target/$target/release/$program
        (cd "$board" && cargo build --release --locked --target "$target" "$@")
        return
    fi
    version=$(/usr/bin/rustc --version 2>/dev/null | cut -d' ' -f2)
    [ -x /usr/bin/cargo ] && [ -d "/usr/src/rustc-$version" ] &&
        command -v arm-none-eabi-ld >/dev/null ||
        install rustc-web cargo-web rust-web-src binutils-arm-none-eabi
    elf=$board/target/debian/$target/release/$program
    (cd "$board" && RUSTC_BOOTSTRAP=1 /usr/bin/cargo build --config debian.toml --release \
        --locked --target "$target" --target-dir target/debian "$@")
}
