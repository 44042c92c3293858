# Completion of lampkeep for bash 4.4 and later. The program itself knows what may stand at the cursor: looks, lamps and
# takes come from the running daemon. It says nothing where something is wrong.
_lampkeep() {
    local -a said
    COMPREPLY=()
    mapfile -t said < <("$1" complete bash "$COMP_WORDBREAKS" "${COMP_LINE:0:COMP_POINT}" 2>/dev/null)
    if [[ ${said[0]} == files ]]; then
        # Names of files are completed, and quoted, by bash itself.
        compopt -o default
        return
    fi
    COMPREPLY=("${said[@]:1}")
    if [[ ${#COMPREPLY[@]} -eq 1 && ${COMPREPLY[0]} == *= ]]; then
        compopt -o nospace
    fi
}
# In the order of the running order, not of the alphabet.
complete -o nosort -F _lampkeep lampkeep
