"""Three invented drives behind an independent Modbus slave (pymodbus), each with a motor, a state machine and a watchdog of its own.

usage: drive.py KIND PORT BAUD       KIND is velocity, plain or split; PORT is a device, or HOST:PORT for a socket that carries the same bytes

It knows its registers from the drives' description alone, not from any map. Commands come as lines, each is answered by one line:
  at T      set the motor's clock to T seconds (it runs by itself until the first of these); answers like ask
  ask       rpm enabled state heard halted now: speed, power stage, when the drive was last spoken to, when its latest stop began, seconds
  fresh     a new motor, its registers as they come from the maker
  trip      a fault of the drive's own
  deaf      what watches the link does nothing any more, whatever its registers say
  stick A   what is written to register A is answered and not kept
  get A     what register A holds
  set A V   put something there
  flow F    from now on the water flows at the share F of what it should at each speed, and a sensor on the drive's analogue input shows it; 0 is a broken wire
  flow none there is no sensor any more, as at first: nothing answers at its register
"""
import math, sys, threading, time
from pymodbus.datastore import ModbusServerContext
from pymodbus.server import StartSerialServer, StartTcpServer
from pymodbus.transaction import ModbusRtuFramer


class Motor:
    """Turns towards a target along a ramp, watched by the time that has passed since anybody spoke to its drive."""

    def __init__(self):
        self.rpm, self.target, self.now = 0.0, 0.0, 0.0
        self.enabled = self.quick = self.tripped = False
        self.up, self.quickly = 15000.0, 15000.0  # rpm/s
        self.heard, self.halted = 0.0, -1.0
        self.loss = 0.0  # seconds; 0 is no watchdog
        self.deaf = False
        self.water, self.flow = 0.0, None  # m/s, behind the motor by half a second; the share of what it should be, where a sensor shows it

    def sensed(self):
        """What the analogue input shows, by the sensor's data sheet; None without one."""
        raise NotImplementedError

    def halt(self):
        if self.enabled and not self.quick:
            self.quick, self.halted = True, self.now

    def turn(self, until):
        dt = until - self.now
        if dt <= 0:
            return
        goal = self.target if self.enabled and not self.quick and not self.tripped else 0.0
        step = (self.quickly if self.quick or self.tripped else self.up) * dt
        self.rpm += max(-step, min(step, goal - self.rpm))
        if self.flow is not None:
            self.water += (self.rpm / 800 * self.flow - self.water) * (1 - math.exp(-dt / 0.5))
        self.now = until
        if self.rpm == 0 and (self.quick or self.tripped):
            self.enabled = self.quick = False

    def follow(self, until):
        if self.loss and not self.deaf and self.enabled and not self.quick and until > self.heard + self.loss:
            self.turn(self.heard + self.loss)
            self.lost()
            self.halt()
        self.turn(until)

    def lost(self):
        pass


class Velocity(Motor):
    """The velocity mode of CiA 402. Addresses as in the invented maker's list."""

    name = "velocity"
    inputs = ()
    read_only = (0x0610, 0x0611, 0x0612)

    def __init__(self):
        super().__init__()
        self.held = {0x0600: 0, 0x0601: 0, 0x0620: 1, 0x0621: 0, 0x0622: 0}
        self.held.update({a: 0 for a in range(0x0630, 0x0633)} | {a: 0 for a in range(0x0634, 0x0637)} | {a: 0 for a in range(0x0638, 0x063B)})
        self.state = "disabled"
        self.control = 0

    def ramp(self, a):
        time = self.held[a + 2] / 10
        return ((self.held[a] << 16) + self.held[a + 1]) / time if time else 1000.0

    def written(self):
        self.loss = self.held[0x0622] / 1000 if self.held[0x0621] == 3 else 0.0
        self.up, self.quickly = self.ramp(0x0630), self.ramp(0x0638)
        target = self.held[0x0601]
        self.target = float(target - 65536 if target > 32767 else target)
        before, cw = self.control, self.held[0x0600]
        self.control = cw
        if self.tripped:
            if cw & 0x80 and not before & 0x80 and self.rpm == 0:
                self.tripped, self.state = False, "disabled"
            return
        if not cw & 0x02:  # disable voltage
            self.state, self.enabled, self.quick = "disabled", False, False
        elif not cw & 0x04:  # quick stop
            if self.enabled:
                self.halt()
            else:
                self.state = "disabled"
        elif self.quick:
            pass  # option 2: a quick stop is carried through
        elif cw & 0x07 == 0x06:
            self.state, self.enabled = "ready", False
        elif cw & 0x0F == 0x07 and self.state in ("ready", "enabled"):
            self.state, self.enabled = "on", False
        elif cw & 0x7F == 0x7F and self.state in ("on", "enabled"):
            self.state, self.enabled = "enabled", True

    def turn(self, until):
        was = self.enabled
        super().turn(until)
        if was and not self.enabled:
            self.state = "disabled"

    def trip(self):
        self.tripped = True

    def sensed(self):  # mm/s
        return None if self.flow is None else round(self.water * 1000)

    def read(self, a):
        if a == 0x0610:
            if self.tripped:
                return 0x021F if self.enabled else 0x0218
            if self.quick:
                return 0x0217
            return {"disabled": 0x0250, "ready": 0x0231, "on": 0x0233, "enabled": 0x0237}[self.state]
        if a == 0x0611:
            return round(self.rpm) & 0xFFFF
        if a == 0x0612:
            return 0x7310 if self.tripped else 0
        if a == 0x0650:
            return self.sensed()
        return self.held.get(a)


class Plain(Motor):
    """Command and frequency side by side; a lost link is a fault, or, with option 1, a stop that is forgotten at rest."""

    name = "plain"
    inputs = ()
    read_only = (0x2100, 0x2101, 0x2102)

    def __init__(self):
        super().__init__()
        self.held = {0x2000: 0, 0x2001: 0, 0x3010: 0, 0x3011: 0, 0x3020: 0}
        self.by_loss = False
        self.control = 0

    def lost(self):
        self.tripped = self.by_loss = self.held[0x3011] == 2

    def written(self):
        self.loss = self.held[0x3010] / 10 if self.held[0x3011] in (1, 2) else 0.0
        self.target = self.held[0x2001] / 100 * 60 / 2
        before, cw = self.control, self.held[0x2000]
        self.control = cw
        if cw & 0x80 and not before & 0x80 and self.rpm == 0:
            self.tripped = self.by_loss = False
        if self.tripped:
            return
        if cw & 0x0F == 0x01 and not self.quick:
            self.enabled = True
        elif cw & 0x0F != 0x01:
            self.halt()

    def trip(self):
        self.tripped = True

    def sensed(self):  # hundredths of a milliampere: 4 to 20 mA are 0 to 2.5 m/s; 0 mA is a broken wire
        return None if self.flow is None else 0 if self.flow == 0 else round((4 + 16 * self.water / 2.5) * 100)

    def read(self, a):
        if a == 0x2100:
            return (0x0002 if self.enabled else 0) | (0x0008 if self.tripped else 0x0001)
        if a == 0x2101:
            return round(self.rpm * 2 / 60 * 100)
        if a == 0x2102:
            return (0x21 if self.by_loss else 0x0E) if self.tripped else 0
        if a == 0x2103:
            return self.sensed()
        return self.held.get(a)


class Split(Motor):
    """Single registers only, status among the input registers, speed in rpm, a register of its own for the reset."""

    name = "split"
    inputs = (0x0010, 0x0012)
    read_only = inputs

    def __init__(self):
        super().__init__()
        self.held = {0x0001: 0, 0x0005: 0, 0x0007: 0, 0x0100: 0, 0x0104: 0}

    def written(self):
        self.loss = self.held[0x0100] / 100
        target = self.held[0x0005]
        self.target = float(target - 65536 if target > 32767 else target)
        if self.held[0x0007] == 1:
            self.held[0x0007] = 0
            if self.rpm == 0:
                self.tripped = False
        if self.tripped:
            return
        if self.held[0x0001] == 1 and not self.quick:
            self.enabled = True
        elif self.held[0x0001] == 0:
            self.halt()

    def lost(self):
        self.held[0x0001] = 0

    def trip(self):
        self.tripped, self.held[0x0001] = True, 0

    def read(self, a):
        if a == 0x0010:
            return 0x0001 | (0x0004 if self.enabled else 0) | (0x0100 if self.tripped else 0)
        if a == 0x0012:
            return round(self.rpm * 2 / 60 * 10) & 0xFFFF
        return self.held.get(a)


class Slave:
    """What pymodbus asks for registers."""

    def __init__(self, kind):
        self.kind, self.lock, self.told, self.stuck = kind, threading.Lock(), None, set()
        self.fresh()

    def fresh(self):
        self.motor, self.stuck = self.kind(), set()
        self.motor.now = self.motor.heard = self.clock()

    def clock(self):
        return time.monotonic() if self.told is None else self.told

    def follow(self):
        self.motor.follow(self.clock())

    def validate(self, function, address, count=1):
        with self.lock:
            m = self.motor
            self.follow()
            m.heard = m.now
            wanted = range(address, address + count)
            if function in (5, 6, 15, 16):
                return self.kind is not Split or function == 6 if all(a in m.held for a in wanted) else False
            return all(m.read(a) is not None and (a in m.inputs) == (function == 4) for a in wanted)

    def getValues(self, function, address, count=1):
        with self.lock:
            return [self.motor.read(a) for a in range(address, address + count)]

    def setValues(self, function, address, values):
        with self.lock:
            for i, v in enumerate(values):
                if address + i not in self.stuck:
                    self.motor.held[address + i] = v
            self.motor.written()

    def reset(self):
        pass

    def obey(self, words):
        with self.lock:
            if words[0] == "at":
                self.told = float(words[1])
                if self.motor.now > self.told + 1:  # it ran by itself until now
                    self.motor.now = self.motor.heard = self.told
            if words[0] == "fresh":
                self.fresh()
            self.follow()
            m = self.motor
            if words[0] == "trip":
                m.trip()
            elif words[0] == "deaf":
                m.deaf = True
            elif words[0] == "stick":
                self.stuck.add(int(words[1]))
            elif words[0] == "flow":
                m.flow = None if words[1] == "none" else float(words[1])
            elif words[0] == "get":
                return str(m.read(int(words[1])))
            elif words[0] == "set":
                m.held[int(words[1])] = int(words[2])
                m.written()
            return f"{m.rpm:.3f} {int(m.enabled)} {'quick' if m.quick else 'tripped' if m.tripped else 'well'} {m.heard:.6f} {m.halted:.6f} {m.now:.6f}"


kind = {k.name: k for k in (Velocity, Plain, Split)}[sys.argv[1]]
slave = Slave(kind)


def listen():
    for line in sys.stdin:
        print(slave.obey(line.split()), flush=True)


threading.Thread(target=listen, daemon=True).start()
print("listening", flush=True)
context = ModbusServerContext(slaves={7: slave}, single=False)
if ":" in sys.argv[2]:
    host, port = sys.argv[2].rsplit(":", 1)
    StartTcpServer(context=context, framer=ModbusRtuFramer, address=(host, int(port)))
else:
    StartSerialServer(context=context, framer=ModbusRtuFramer, port=sys.argv[2], baudrate=int(sys.argv[3]), parity="N", stopbits=2, bytesize=8, timeout=0.005)
