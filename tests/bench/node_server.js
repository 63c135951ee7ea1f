// A Modbus TCP server made of the general-purpose library modbus-serial alone, units 1 and 2, on a free port of
// 127.0.0.1, which it prints; it ends with its standard input. Of unit u, holding register i holds 1000 u + i and input
// register i 2000 u + i; coil i is set where 3 divides i, discrete input i where 2 divides i; 300 of each.
const { ServerTCP } = require("modbus-serial");

function beyond(address) {
    if (address >= 300) throw { modbusErrorCode: 2, msg: "no such address" };
}

const held = {
    getHoldingRegister(address, unit) { beyond(address); return 1000 * unit + address; },
    getInputRegister(address, unit) { beyond(address); return 2000 * unit + address; },
    getCoil(address) { beyond(address); return address % 3 === 0; },
    getDiscreteInput(address) { beyond(address); return address % 2 === 0; },
};

const server = new ServerTCP(held, { host: "127.0.0.1", port: 0, unitID: 0 });
server.on("initialized", () => console.log(server._server.address().port));
process.stdin.resume().on("end", () => process.exit(0));
