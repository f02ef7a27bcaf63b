package wire

import "bytes"

// modbusFramer finds the answers to one question.
type modbusFramer struct {
	unit, function, n byte // how an answer begins
	question          []byte
	buf               []byte
	at                []int64 // when each of its bytes came
	burst             []int
	lost              bool // a wrong CRC: nothing is taken until the next question
	stray             []byte
	heard             int64 // when the first stray byte came
}

// NewModbusFramer cuts the answers to one question out of what comes. Before
// each question it must be told of a Silence.
func NewModbusFramer(m Modbus) Framer {
	return &modbusFramer{unit: m.Unit, function: m.Function, n: byte(2 * m.registers()), question: m.Request(),
		stray: make([]byte, 0, MaxFrame)}
}

func (f *modbusFramer) Push(chunk []byte, atNS int64, emit func(Frame)) {
	begun := 0
	for _, b := range chunk {
		f.buf, f.at, f.burst = append(f.buf, b), append(f.at, atNS), append(f.burst, begun)
		for len(f.buf) > 0 {
			n := f.take(emit)
			if n == 0 {
				break // more must come
			}
			if n > 1 {
				begun++
			}
			f.buf, f.at, f.burst = append(f.buf[:0], f.buf[n:]...), append(f.at[:0], f.at[n:]...), append(f.burst[:0], f.burst[n:]...)
		}
	}
}

// take says how many bytes of the buffer are done with, 0 if more must come.
func (f *modbusFramer) take(emit func(Frame)) int {
	if f.lost {
		f.lose(1, emit)
		return 1
	}
	size, whole := f.answer()
	right := whole && CheckCRC(f.buf[:size]) == nil
	switch {
	case right:
		f.tell(emit)
		emit(Frame{Bytes: f.buf[:size], AtNS: f.at[0], Burst: f.burst[0]})
		return size
	case bytes.Equal(f.buf, f.question): // our own voice
		return len(f.buf)
	case bytes.HasPrefix(f.question, f.buf):
		return 0
	case whole:
		f.tell(emit)
		emit(Frame{Bytes: f.buf[:size], AtNS: f.at[0], Burst: f.burst[0]}) // the decoder says what is wrong
		f.lost = true
		return size
	case size > 0:
		return 0
	}
	f.lose(1, emit)
	return 1
}

// answer is how long the answer is that the buffer begins with, as far as it
// can be seen; 0 if it begins none.
func (f *modbusFramer) answer() (size int, whole bool) {
	b := f.buf
	switch {
	case b[0] != f.unit:
		return 0, false
	case len(b) == 1:
		return 5, false
	case b[1] == f.function|0x80:
		return 5, len(b) >= 5
	case b[1] != f.function || len(b) > 2 && b[2] != f.n:
		return 0, false
	}
	size = 5 + int(f.n)
	return size, len(b) >= size
}

// lose counts bytes that belong to no answer.
func (f *modbusFramer) lose(n int, emit func(Frame)) {
	if len(f.stray) == 0 {
		f.heard = f.at[0]
	}
	if f.stray = append(f.stray, f.buf[:n]...); len(f.stray) >= MaxFrame {
		emit(Frame{Bytes: f.stray[:MaxFrame], AtNS: f.heard, Cut: CutTooLong})
		f.stray = f.stray[:0]
	}
}

func (f *modbusFramer) tell(emit func(Frame)) {
	if len(f.stray) > 0 {
		emit(Frame{Bytes: f.stray, AtNS: f.heard, Cut: CutPartial})
		f.stray = f.stray[:0]
	}
}

func (f *modbusFramer) Silence(emit func(Frame)) {
	if len(f.buf) > 0 {
		f.lose(len(f.buf), emit)
	}
	f.tell(emit)
	f.Reset()
}

func (f *modbusFramer) Reset() {
	f.buf, f.at, f.burst, f.stray, f.lost = f.buf[:0], f.at[:0], f.burst[:0], f.stray[:0], false
}
