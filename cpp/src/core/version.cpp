#include <lobetime/version.hpp>

#include <algorithm>
#include <thread>

namespace lobetime {
namespace {

#ifdef NDEBUG
constexpr const char* kAssertions = "without assertions";
#else
constexpr const char* kAssertions = "with assertions";
#endif

}  // namespace

const char* version() noexcept { return LOBETIME_VERSION; }

std::vector<std::pair<std::string, std::string>> build_facts() {
    // 202002 is C++20: the year of the standard and the month it was agreed.
    const std::string standard = "C++" + std::to_string(__cplusplus / 100 % 100);
    return {{"compiler", LOBETIME_COMPILER},
            {"standard", standard},
            {"build", std::string(LOBETIME_BUILD_TYPE) + ", " + kAssertions},
            {"processor", LOBETIME_PROCESSOR},
            {"Ceres", LOBETIME_CERES},
            {"Eigen", LOBETIME_EIGEN},
            {"threads", std::to_string(std::max(1U, std::thread::hardware_concurrency()))}};
}

}  // namespace lobetime
