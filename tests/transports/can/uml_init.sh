# The first program of a user-mode Linux booted for a test:
#
#     sh uml_init.sh FOLDER COMMAND...
#
# Brings up vcan0, runs the command, leaves in FOLDER what it printed and its status,
# and halts. Apart from FOLDER, the machine's files are there to be read only.
folder=$1
shift
mount -t proc proc /proc
mount -t sysfs sysfs /sys
mount -t hostfs -o "$folder" none "$folder"
export TMPDIR="$folder"
: >"$folder/booted"
{
    modprobe -d "$folder" -a can-raw vcan &&
        ip link add vcan0 type vcan &&
        ip link set vcan0 up &&
        "$@"
    echo $? >"$folder/status"
} >"$folder/output" 2>&1
# linux/reboot.h: LINUX_REBOOT_CMD_POWER_OFF. Not every machine has a program for it.
exec "$1" -c 'import ctypes; ctypes.CDLL(None).reboot(0x4321FEDC)'
