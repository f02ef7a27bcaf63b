package acquire

import (
	"os"
	"path/filepath"
	"strconv"
	"syscall"
)

// nodeOf is what stands at a path now: another text after it went and came back.
func nodeOf(path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return ""
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return info.Name()
	}
	return strconv.FormatUint(st.Rdev, 10) + "/" + strconv.FormatUint(st.Ino, 10) + "/" +
		strconv.FormatInt(st.Ctim.Sec, 10) + "." + strconv.FormatInt(st.Ctim.Nsec, 10)
}

// identityOf is what the system says of the device behind a path.
func identityOf(path, byID, sysTTY string) string {
	node, err := filepath.EvalSymlinks(path)
	if err != nil {
		return ""
	}
	if filepath.Dir(path) == byID {
		return filepath.Base(path)
	}
	links, _ := os.ReadDir(byID)
	for _, l := range links {
		if to, err := filepath.EvalSymlinks(filepath.Join(byID, l.Name())); err == nil && to == node {
			return l.Name()
		}
	}
	return usbOf(filepath.Join(sysTTY, filepath.Base(node))).text()
}
