# The first process of the emulated machine, once it stands on this computer's file system: devices,
# then the lab, then the power off. It must not end by itself, for then the kernel panics.
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LANG=C.UTF-8 TERM=dumb
export PYTHONDONTWRITEBYTECODE=1 PYTHONUNBUFFERED=1
[ -e /dev/fd ] || ln -s /proc/self/fd /dev/fd
ip link set lo up
modprobe virtio_console
mkdir -p /run/udev /run/dbus /run/NetworkManager /dev/pts
mount -t devpts -o ptmxmode=666 devpts /dev/pts
mount -t cgroup2 cgroup2 /sys/fs/cgroup
/lib/systemd/systemd-udevd --daemon
udevadm trigger --action=add
udevadm settle
/usr/bin/python3 "$(dirname "$0")/main.py" </dev/null
sync
echo o >/proc/sysrq-trigger
while :; do read -rt 9 _ </dev/zero || :; done
