# Completion of lampkeep for fish. The program itself knows what may stand at the cursor: looks, lamps and takes come from
# the running daemon. It says nothing where something is wrong.
function __lampkeep_complete
    set -l before (commandline -opc)
    set -l now (commandline -ct)
    set -l said ($before[1] complete fish (count $before) -- $before "$now" 2>/dev/null)
    if test "$said[1]" = files
        # The value of an option written as `--out=FILE` is completed by itself.
        set -l head (string match -r -- '^--[^=]*=' "$now")
        for path in (__fish_complete_path (string replace -r -- '^--[^=]*=' '' "$now"))
            echo "$head$path"
        end
        return
    end
    for line in $said[2..-1]
        echo $line
    end
end
complete -c lampkeep -f -k -a '(__lampkeep_complete)'
