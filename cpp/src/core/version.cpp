#include <lobetime/version.hpp>

namespace lobetime {

const char* version() noexcept { return LOBETIME_VERSION; }

}  // namespace lobetime
