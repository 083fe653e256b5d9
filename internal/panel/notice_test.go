package panel

import (
	"sync/atomic"
	"testing"

	"flume.example/sequencerd/internal/fault"
)

// A disk that does not keep what is swum is told on the deck, in words, to paired and others, from when it fails until it keeps again.
func TestADiskThatFailsIsTold(t *testing.T) {
	var code atomic.Value
	code.Store(fault.Code(""))
	r := newRig(t, options{notices: func() (all []fault.Fault) {
		if c := code.Load().(fault.Code); c != "" {
			all = append(all, fault.Of(c))
		}
		return all
	}})
	b := newBrowser(t)
	if b == nil {
		return
	}
	b.look(390, 844, "light")
	b.open(r.base)
	b.until(live + ` && !document.getElementById("faults").innerText.includes("kept")`)
	code.Store(fault.StoreReadOnly)
	b.until(`document.getElementById("faults").innerText.includes("What is swum cannot be kept: the disk takes no writes.")`)
	b.shot("not-kept-phone-light")
	b.accessible("a disk that fails")
	told := false
	for _, f := range r.status().Faults {
		told = told || f.Code == fault.StoreReadOnly && f.Level == "notice" && f.Water != "" && f.Do != ""
	}
	if !told {
		t.Errorf("the status says %+v", r.status().Faults)
	}
	code.Store(fault.Code(""))
	b.until(`!document.getElementById("faults").innerText.includes("kept")`)
}
