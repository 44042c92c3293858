#compdef lampkeep
# Completion of lampkeep for zsh. The program itself knows what may stand at the cursor: looks, lamps and takes come from
# the running daemon. It says nothing where something is wrong.
_lampkeep() {
    local -a said whole open
    local line
    said=("${(@f)$("${(Q)words[1]}" complete zsh $((CURRENT - 1)) -- "${(@Q)words[1,CURRENT]}" 2>/dev/null)}")
    if [[ $said[1] == files ]]; then
        [[ $PREFIX == --*=* ]] && compset -P '*='
        _files
        return
    fi
    for line in "${said[@]:1}"; do
        # What ends with `=` goes on without a blank.
        if [[ $line == *= ]]; then open+=("$line"); else whole+=("$line"); fi
    done
    local found=1
    (( $#whole )) && _describe -V lampkeep whole && found=0
    (( $#open )) && _describe -V lampkeep open -S '' && found=0
    return found
}
# Read as a function of that name, it is the function's own text; else it says what it is for.
if [[ $funcstack[1] == _lampkeep ]]; then _lampkeep "$@"; else compdef _lampkeep lampkeep; fi
