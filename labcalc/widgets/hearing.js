/* What each control does before it is shown. anywidget gives a model two seconds to come into being; where the browser is
   busy for longer, its control would be shown and never hear the kernel again. It hears by the way of all other widgets
   then, and asks for what it has missed. */
async function hears(model) {
  let whole;
  function meet(one) { whole = one; }
  model.on("change:met", meet);
  model.set("met", Math.random());  // the only way to what anywidget keeps back of a model
  model.off("change:met", meet);
  if (!whole.comm) { return; }  // a page without a kernel
  try {
    await whole._handle_comm_msg({ content: { data: {} } });
  } catch {
    const usual = Object.getPrototypeOf(Object.getPrototypeOf(whole))._handle_comm_msg;
    await new Promise(function (resolve) {
      whole._handle_comm_msg = async function (message) {
        await usual.call(whole, message);
        if (message.content.data.method === "update") { resolve(); }
      };
      whole.comm.on_msg(whole._handle_comm_msg);
      whole.comm.send({ method: "request_state" }, {});
    });
  }
}
